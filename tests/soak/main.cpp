// A long run: the deciding core, its guard and the keeper of its state against the bench's amplifier, as fast as the
// machine goes, through weather, transmissions, faults, operators, restarts and power cuts, all drawn from one seed.
// What must hold is looked at all the time, by an oracle that knows the truth.
//
// SIGINT or SIGTERM ends it early, with its figures so far.
//
// Usage: soak [--hours H] [--seed S] [--folder F] [--only TROUBLE] [--verbose]
#include <malloc.h>
#include <unistd.h>

#include <chrono>
#include <csignal>
#include <cstdio>
#include <cstdlib>
#include <filesystem>
#include <nlohmann/json.hpp>
#include <string>
#include <utility>
#include <vector>

#include "base/folder_lock.hpp"
#include "messages/control.hpp"
#include "soak/oracle.hpp"
#include "soak/station.hpp"
#include "store/journal.hpp"
#include "words/event_text.hpp"

namespace dekeyd::soak {
namespace {

constexpr formats::JournalBudget journal_budget{.segment_bytes = 64 * 1024, .total_bytes = 512 * 1024};

volatile std::sig_atomic_t ended = 0;

class Soak {
public:
    explicit Soak(const Options& options)
        : options_{options},
          configuration_{station(options.folder)},
          world_{options, configuration_},
          daemon_{configuration_, world_.pad, world_.contactor, world_.disk},
          oracle_{options_, configuration_, world_, daemon_},
          journal_{options.folder + "/journal", journal_budget} {
        oracle_.check(journal_.open().empty(), "the journal opens");
        oracle_.check(lock_.lock(configuration_.state_directory) == FolderLock::Taken::yes, "the folder is taken");
        begin(Oracle::End::none);
        next_cut_s_ = world_.chance.after(3600.0 / world_.pace());
        next_operator_s_ = 30.0;
        next_rival_s_ = world_.chance.after(3600.0);
        next_sleep_s_ = world_.chance.after(3600.0 * 6.0 / world_.pace());
    }

    int run() {
        const auto began = std::chrono::steady_clock::now();
        const double end_s = options_.hours * 3600.0;
        std::size_t early_bytes = 0;
        double told_s = 0.0;
        for (const int number : {SIGINT, SIGTERM}) std::signal(number, [](int) { ended = 1; });
        while (world_.now_s() < end_s && oracle_.failures() == 0 && ended == 0) {
            step();
            if (early_bytes == 0 && world_.now_s() > end_s / 10) early_bytes = allocated();
            if (world_.now_s() - told_s >= 86400.0) {
                told_s = world_.now_s();
                std::printf("%s: %llu events, %llu trips, %zu bytes allocated\n", stamp(told_s).c_str(),
                            static_cast<unsigned long long>(oracle_.events),
                            static_cast<unsigned long long>(oracle_.trips), allocated());
                std::fflush(stdout);
            }
        }
        oracle_.check(journal_.sync().empty(), "the journal is written");
        const std::size_t late_bytes = allocated();
        const std::size_t files = folder_bytes();
        if (oracle_.failures() == 0 && early_bytes > 0)
            oracle_.check(late_bytes <= early_bytes + 64 * 1024, "memory is flat");
        oracle_.check(files <= journal_budget.total_bytes + 2 * journal_budget.segment_bytes, "the files are bounded");
        if (ended == 0) oracle_.finish();
        const double took_s = std::chrono::duration<double>(std::chrono::steady_clock::now() - began).count();
        std::printf("seed %llu: %.1f h in %.1f s (%.0f times real time)\n",
                    static_cast<unsigned long long>(options_.seed), world_.now_s() / 3600.0, took_s,
                    world_.now_s() / took_s);
        oracle_.print();
        std::printf("allocated %zu bytes early, %zu at the end; files %zu bytes\n", early_bytes, late_bytes, files);
        std::puts(oracle_.failures() == 0 ? "all held" : "FAILED");
        return oracle_.failures() == 0 ? 0 : 1;
    }

private:
    static std::size_t allocated() {
        const struct mallinfo2 now = ::mallinfo2();
        return now.uordblks + now.hblkhd;
    }
    [[nodiscard]] std::size_t folder_bytes() const {
        std::size_t bytes = 0;
        for (const auto& entry : std::filesystem::recursive_directory_iterator{options_.folder}) {
            if (entry.is_regular_file()) bytes += entry.file_size();
        }
        return bytes;
    }

    void step() {
        if (world_.take_restart()) end(Oracle::End::power_lost);
        if (world_.now_s() >= next_cut_s_) cut();
        meddle();
        if (world_.now_s() >= next_operator_s_) operate();
        if (world_.now_s() >= next_rival_s_) rival();
        if (world_.take_sleep() || world_.now_s() >= next_sleep_s_) sleep();
        world_.low_power = daemon_.snapshot().commissioning_until.has_value();
        world_.advance();
        scans_.clear();
        world_.scans(scans_);
        for (const core::Command& command : commands_) oracle_.commanded(command);
        daemon_.step(world_.now(), world_.asleep(), scans_, commands_);
        commands_.clear();
        write_down();
        oracle_.look(scans_);
    }

    void write_down() {
        for (const core::Event& event : daemon_.events()) {
            const std::string line = formats::event_json(configuration_.plan, event, formats::WallStamp{}).dump();
            oracle_.check(journal_.append(line).empty(), "the journal takes an event");
            if (++written_ % 200 == 0) oracle_.check(journal_.sync().empty(), "the journal syncs");
        }
    }

    void begin(Oracle::End after) {
        daemon_.start();
        oracle_.started(after);
    }

    // ---- people and power ----

    /// The power goes, something kills it, or somebody stops it; it is back after the boot.
    void cut() {
        constexpr Oracle::End ends[] = {Oracle::End::stopped, Oracle::End::killed, Oracle::End::power_lost};
        end(ends[world_.chance.of(3)]);
        next_cut_s_ = world_.now_s() + world_.chance.after(3600.0 * 3.0 / world_.pace());
    }
    void end(Oracle::End how) {
        switch (how) {
            case Oracle::End::left:
            case Oracle::End::stopped:
                how = daemon_.stop(world_.now()) ? Oracle::End::stopped : Oracle::End::left;
                break;
            case Oracle::End::killed: daemon_.kill(); break;
            case Oracle::End::power_lost:
            case Oracle::End::none: daemon_.lose_power(world_.chance.one_in(3.0)); break;
        }
        if (options_.verbose) std::printf("%s ---- restart %d\n", stamp(world_.now_s()).c_str(), static_cast<int>(how));
        const double back_s = world_.now_s() + world_.chance.between(1.0, 40.0);
        while (world_.now_s() < back_s) world_.advance();
        begin(how);
    }

    /// While the storage takes nothing, what must last is asked for, and then all ends; while the pad doesn't obey, it
    /// is told to.
    void meddle() {
        const bool disk_fails = world_.disk.fault != DiskFault::good;
        const bool fails = disk_fails || world_.pad.fault != PadFault::good;
        if (std::exchange(fails_, fails) == fails || !fails || world_.chance.one_in(2.0)) return;
        holds_next_ = true;
        next_operator_s_ = world_.now_s() + world_.chance.between(1.0, 5.0);
        if (disk_fails) next_cut_s_ = next_operator_s_ + world_.chance.between(1.0, 14.0);
    }

    void operate() {
        next_operator_s_ = world_.now_s() + world_.chance.between(20.0, 200.0);
        const core::Snapshot& snapshot = daemon_.snapshot();
        const core::Memory& memory = snapshot.memory;
        // One in ten has waited for longer than an order may.
        const bool late = world_.chance.one_in(10.0);
        const auto order = [&](core::CommandKind kind, core::Origin origin) {
            const bool waited = late && kind != core::CommandKind::hold;
            commands_.push_back(
                {.kind = kind,
                 .origin = origin,
                 .id = ++command_id_ | (waited ? Oracle::too_late : 0),
                 .limit = 0,
                 .arrived = world_.now() - (waited ? 2 * formats::command_life : core::Duration::zero())});
        };
        if (memory.held_locally || memory.held_remotely) {
            if (world_.chance.one_in(2.0)) order(core::CommandKind::release, core::Origin::local);
        } else if (snapshot.state == core::State::latched || snapshot.state == core::State::locked_out) {
            order(core::CommandKind::reset, world_.chance.one_in(4.0) ? core::Origin::remote : core::Origin::local);
        } else if (std::exchange(holds_next_, false) || world_.welded() || world_.chance.one_in(40.0 / world_.pace())) {
            order(core::CommandKind::hold, world_.chance.one_in(2.0) ? core::Origin::remote : core::Origin::local);
        } else if (snapshot.commissioning_until) {
            if (world_.chance.one_in(3.0)) order(core::CommandKind::end_commissioning, core::Origin::local);
        } else if (world_.chance.one_in(60.0 / world_.pace())) {
            order(core::CommandKind::commission, core::Origin::local);
        }
    }

    /// A second daemon, which must find the folder taken.
    void rival() {
        next_rival_s_ = world_.now_s() + world_.chance.after(3600.0 * 6.0);
        FolderLock second;
        oracle_.check(second.lock(configuration_.state_directory) == FolderLock::Taken::by_another,
                      "a second daemon is refused");
    }

    void sleep() {
        const double before_s = world_.now_s();
        world_.sleep(world_.chance.between(1.0, 100.0));
        oracle_.slept(world_.now_s() - before_s);
        next_sleep_s_ = world_.now_s() + world_.chance.after(3600.0 * 6.0 / world_.pace());
    }

    Options options_;
    formats::Configuration configuration_;
    World world_;
    Daemon daemon_;
    Oracle oracle_;
    formats::Journal journal_;
    FolderLock lock_;
    std::vector<core::Scan> scans_;
    std::vector<core::Command> commands_;
    double next_cut_s_ = 0.0, next_operator_s_ = 0.0, next_rival_s_ = 0.0, next_sleep_s_ = 0.0;
    bool fails_ = false;       ///< as it was in the last step
    bool holds_next_ = false;  ///< the operator who comes next
    std::uint32_t command_id_ = 0;
    std::uint64_t written_ = 0;
};

}  // namespace
}  // namespace dekeyd::soak

int main(int count, char** words) {
    using dekeyd::soak::Options;
    Options options;
    for (int i = 1; i < count; ++i) {
        const std::string word = words[i];
        const char* const value = i + 1 < count ? words[i + 1] : "";
        if (word == "--verbose") {
            options.verbose = true;
            continue;
        }
        if (word == "--hours")
            options.hours = std::strtod(value, nullptr);
        else if (word == "--seed")
            options.seed = std::strtoull(value, nullptr, 10);
        else if (word == "--folder")
            options.folder = value;
        else if (word == "--only" && dekeyd::soak::find_trouble(value) != nullptr)
            options.only = value;
        else {
            std::fprintf(
                stderr, "soak: no option '%s'; expected --hours H, --seed S, --folder F, --only TROUBLE or --verbose\n",
                words[i]);
            return 2;
        }
        ++i;
    }
    const bool own_folder = options.folder.empty();
    if (own_folder) {
        options.folder = (std::filesystem::temp_directory_path() / "dekeyd-soak-XXXXXX").string();
        if (::mkdtemp(options.folder.data()) == nullptr) return 2;
    }
    const int result = dekeyd::soak::Soak{options}.run();
    std::error_code ignored;
    if (own_folder) std::filesystem::remove_all(options.folder, ignored);
    return result;
}
