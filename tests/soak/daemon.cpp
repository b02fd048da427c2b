#include "soak/daemon.hpp"

#include <filesystem>

#include "configuration/raw_bounds.hpp"

namespace dekeyd::soak {
namespace {

using namespace std::chrono_literals;

class PadLine final : public drivers::Line {
public:
    explicit PadLine(Pad& pad) noexcept : pad_{pad} {}
    ~PadLine() override { write(false); }  // the driver's own, or the hook
    PadLine(const PadLine&) = delete;
    PadLine& operator=(const PadLine&) = delete;

    bool write(bool permit) noexcept override {
        pad_.asked = permit;
        pad_.refused = pad_.fault == PadFault::refuses;
        if (pad_.refused) return false;
        const bool stuck = pad_.fault == PadFault::stuck_permit || pad_.fault == PadFault::stuck_inhibit;
        if (!stuck && pad_.permit != permit) {
            pad_.permit = permit;
            pad_.late_looks = pad_.fault == PadFault::late ? 1 : 0;
        }
        return true;
    }
    [[nodiscard]] std::optional<bool> read_back() noexcept override {
        if (pad_.late_looks > 0) return (--pad_.late_looks, !pad_.permit);
        return pad_.permit;
    }
    [[nodiscard]] std::string describe() const override { return "the soak's pad"; }

private:
    Pad& pad_;
};

GuardPorts ports(const std::vector<std::unique_ptr<ScanRing>>& scans, Ring<core::Command>& commands, Outlet& outlet) {
    GuardPorts result;
    for (const auto& ring : scans) result.scans.push_back(ring.get());
    result.commands.push_back(&commands);
    result.outlets.push_back(&outlet);
    return result;
}

std::vector<std::unique_ptr<ScanRing>> rings(const formats::Configuration& configuration) {
    std::vector<std::unique_ptr<ScanRing>> result;
    for (const formats::BusConfig& bus : configuration.buses) {
        ScanBuffer blank;
        blank.samples.resize(bus.slots.size());
        result.push_back(std::make_unique<ScanRing>(4, blank));
    }
    return result;
}

}  // namespace

Daemon::Run::Run(const formats::Configuration& configuration, const formats::StoredState& found, Pad& pad,
                 Pad& contactor)
    : scans{rings(configuration)},
      outlet{configuration.plan},
      guard{configuration.guard_period, wake, ports(scans, commands, outlet)} {
    guard.take_lines({.line = std::make_unique<PadLine>(pad),
                      .contactor = std::make_unique<PadLine>(contactor),
                      .dynamic_permit = nullptr});
    auto begun = std::make_unique<core::Protection>(configuration.plan, found.memory, found.running, false);
    protection = begun.get();
    guard.begin(std::move(begun), formats::second_opinion_of(configuration));
}

Daemon::Daemon(const formats::Configuration& configuration, Pad& pad, Pad& contactor, Disk& disk)
    : configuration_{configuration}, pad_{pad}, contactor_{contactor}, disk_{disk} {
    std::filesystem::create_directories(configuration.state_directory);
    std::filesystem::create_directories(configuration.run_directory);
}

void Daemon::start() {
    bool unsaved = false;
    found_ =
        formats::load_state(configuration_.state_directory, configuration_.run_directory, configuration_.plan, unsaved);
    run_ = std::make_unique<Run>(configuration_, found_, pad_, contactor_);
    slots_ = std::make_unique<formats::StateSlots>(configuration_.state_directory);
    copy_ = std::make_unique<formats::StateCopy>(configuration_.run_directory);
    static_cast<void>(copy_->prepare(configuration_.plan));
    begun_ = run_->protection->memory();
    wanted_ = {.memory = begun_, .running = true, .sequence = found_.sequence + 1};
    durable_ = 0;
    save_at_ = {};
    noted_ = false;
    events_.clear();
}

void Daemon::step(core::Instant now, core::Duration asleep, const std::vector<core::Scan>& scans,
                  const std::vector<core::Command>& commands) {
    for (const core::Scan& scan : scans) {
        ScanBuffer* const place = run_->scans[scan.sampler]->claim();
        if (place == nullptr) continue;
        place->finished = now;
        std::copy(scan.samples.begin(), scan.samples.end(), place->samples.begin());
        run_->scans[scan.sampler]->commit();
    }
    for (const core::Command& command : commands) run_->commands.push(command);
    run_->guard.cycle(now, asleep);
    events_.clear();
    while (const core::Event* const event = run_->outlet.events.front()) {
        events_.push_back(*event);
        run_->outlet.events.pop();
    }
    run_->outlet.snapshot.take();
    keep(now);
}

// As state_keeper.cpp does it in two threads: at once into the run folder, and when the storage takes it onto that.
void Daemon::keep(core::Instant now) {
    if (const core::Memory& memory = snapshot().memory; memory != wanted_.memory) {
        wanted_.memory = memory;
        ++wanted_.sequence;
        static_cast<void>(copy_->write(configuration_.plan, wanted_));
    }
    if (disk_.fault == DiskFault::stalled || all_saved() || now < save_at_) return;
    if (!save(wanted_)) {
        save_at_ = now + 1s;
        return;
    }
    if (!noted_) run_->commands.push({.kind = core::CommandKind::noted, .origin = core::Origin::none});
    noted_ = true;
}

bool Daemon::save(const formats::StoredState& state) {
    const Disk::Use use{disk_};
    if (!slots_->save(configuration_.plan, state).empty()) return false;
    static_cast<void>(formats::tell_saved(configuration_.run_directory, state.sequence));
    durable_ = state.sequence;
    return true;
}

void Daemon::end() {
    run_.reset();
    slots_.reset();
    copy_.reset();
}

bool Daemon::stop(core::Instant now) {
    save_at_ = {};
    keep(now);
    wanted_.running = false;
    ++wanted_.sequence;
    const bool saved = disk_.fault != DiskFault::stalled && save(wanted_);
    if (!saved && (durable_ != 0 || wanted_.memory != begun_)) {
        formats::StoredState left = wanted_;
        left.running = true;
        ++left.sequence;
        static_cast<void>(copy_->write(configuration_.plan, left));
    }
    end();
    return saved;
}

void Daemon::kill() {
    end();
}

void Daemon::lose_power(bool in_a_write) {
    if (in_a_write) {
        const DiskFault was = disk_.fault;
        disk_.power_goes = true;
        ++wanted_.sequence;
        save(wanted_);
        disk_.power_goes = false;
        disk_.fault = was;
    }
    end();
    for (Pad* const pad : {&pad_, &contactor_}) {
        if (pad->fault == PadFault::refuses) pad->permit = false;  // the resistor at the pad
    }
    for (const char* const name : {"/unsaved", "/saved"}) std::filesystem::remove(configuration_.run_directory + name);
}

}  // namespace dekeyd::soak
