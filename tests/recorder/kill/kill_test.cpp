// Stopped at every single change of the storage: nothing that was acknowledged is lost, nothing torn is believed.
#include <doctest/doctest.h>
#include <sys/wait.h>
#include <unistd.h>

#include <fstream>
#include <map>
#include <set>
#include <sstream>

#include "base/durable_file.hpp"
#include "sample_plan.hpp"
#include "storage_shim.hpp"
#include "store/captures/reader.hpp"
#include "store/captures/store.hpp"
#include "store/captures/writer.hpp"
#include "store/checked_rows.hpp"
#include "store/journal.hpp"
#include "store/state_slots.hpp"
#include "temporary_folder.hpp"

using namespace dekeyd;

namespace {

constexpr formats::JournalBudget small{.segment_bytes = 400, .total_bytes = 1200};
constexpr int rounds = 14;
constexpr std::string_view columns = "n,what";

std::string event_text(std::uint64_t n) {
    return "event " + std::to_string(n) + std::string(n % 50, '.');
}

formats::StoredState state_of(const core::Plan& plan, int round) {
    formats::StoredState state;
    state.memory.latched.resize(core::source_count(plan));
    state.memory.latched[test::vswr_limit] = round % 2 == 0;
    state.memory.trip_level = std::chrono::seconds{round};
    state.running = true;
    state.sequence = static_cast<std::uint64_t>(round);
    return state;
}

std::string capture_text(const core::Plan& plan, int round) {
    formats::CaptureWriter writer{plan, {}};
    formats::CaptureHeader header;
    header.cause_step = static_cast<std::uint64_t>(round);
    header.state = "step\n";
    writer.begin(header);
    for (int i = 0; i < 30; ++i) {
        formats::RecordedStep step;
        step.number = static_cast<std::uint64_t>(i);
        writer.add(step, nullptr);
    }
    writer.end();
    return writer.text();
}

/// In the child: a life of writing. Each acknowledged thing is told to the parent before the next begins.
[[noreturn]] void live(const std::string& folder, int tell) {
    const core::Plan plan = test::sample_plan();
    const auto acknowledge = [&](char what, std::uint64_t n) {
        const std::string text = what + std::to_string(n) + "\n";
        if (::write(tell, text.data(), text.size()) < 0) ::_exit(1);
    };
    const auto need = [](const std::string& trouble) {
        if (trouble.empty()) return;
        std::fprintf(stderr, "%s\n", trouble.c_str());
        ::_exit(1);
    };
    formats::Journal journal{folder + "/journal", small};
    formats::CaptureStore captures{folder + "/captures", 4, 1U << 20U};
    formats::StateSlots state{folder};
    need(journal.open());
    for (int round = 1; round <= rounds; ++round) {
        acknowledge('s', static_cast<std::uint64_t>(round));  // begun
        need(state.save(plan, state_of(plan, round)));
        acknowledge('S', static_cast<std::uint64_t>(round));
        for (int i = 0; i < 2; ++i) need(journal.append(event_text(journal.next_number())));
        need(journal.sync());
        acknowledge('J', journal.durable());
        if (round % 2 == 0) {
            need(captures.save("trip-" + std::to_string(round), capture_text(plan, round)));
            acknowledge('C', static_cast<std::uint64_t>(round));
        }
        need(formats::append_row(folder + "/rows.csv", columns, std::to_string(round) + ",row"));
        acknowledge('R', static_cast<std::uint64_t>(round));
    }
    shim::stop_now();
}

struct Told {
    std::map<char, std::uint64_t> last;
    bool finished = false;
    int torn_states = 0;
};

Told run_child(const std::string& folder, const std::string& image, shim::Stop stop, std::uint64_t at) {
    int ends[2];
    REQUIRE(::pipe(ends) == 0);
    const pid_t child = ::fork();
    REQUIRE(child >= 0);
    if (child == 0) {
        ::close(ends[0]);
        shim::arm(folder, image, stop, at);
        live(folder, ends[1]);
    }
    ::close(ends[1]);
    std::string text;
    char buffer[4096];
    for (ssize_t got = 0; (got = ::read(ends[0], buffer, sizeof buffer)) > 0;)
        text.append(buffer, static_cast<std::size_t>(got));
    ::close(ends[0]);
    int status = 0;
    REQUIRE(::waitpid(child, &status, 0) == child);
    REQUIRE(WIFEXITED(status));
    REQUIRE(WEXITSTATUS(status) == shim::exit_stopped);
    Told told;
    std::istringstream lines{text};
    for (std::string line; std::getline(lines, line);) told.last[line[0]] = std::stoull(line.substr(1));
    told.finished = told.last['R'] == rounds;
    return told;
}

/// The next start on what is left: what is acknowledged is there, and what is there is whole.
void check(const std::string& folder, Told& told) {
    const core::Plan plan = test::sample_plan();
    const formats::StoredState state = formats::load_state(folder, plan);
    // Torn in the middle of a save: the state before it, and latched, for the one that was lost may have had a latch.
    if (state.memory.unreadable) {
        REQUIRE(told.last['s'] > told.last['S']);
        REQUIRE(state.running);
        ++told.torn_states;
    }
    if (told.last['S'] > 0) REQUIRE_FALSE(state.memory.first_start);
    if (!state.memory.first_start) {
        const auto round = std::chrono::duration_cast<std::chrono::seconds>(state.memory.trip_level).count();
        REQUIRE(static_cast<std::uint64_t>(round) >= told.last['S']);
        REQUIRE(static_cast<std::uint64_t>(round) <= told.last['s']);
        formats::StoredState expected = state_of(plan, static_cast<int>(round));
        expected.memory.unreadable = state.memory.unreadable;
        REQUIRE(state.memory == expected.memory);
    }

    formats::Journal journal{folder + "/journal", small};
    REQUIRE(journal.open() == "");
    REQUIRE(journal.durable() >= told.last['J']);
    formats::JournalReader reader{folder + "/journal"};
    // The budget holds some of the newest; from the oldest kept on none is missing, and none is wrong.
    std::uint64_t number = 1, seen = 0;
    for (bool first = true; const auto entry = reader.from(number, journal.durable()); first = false) {
        if (!first) REQUIRE(entry->number == number);
        REQUIRE(entry->text == event_text(entry->number));
        number = entry->number + 1;
        ++seen;
    }
    REQUIRE(number > told.last['J']);
    if (told.last['J'] > 4) REQUIRE(seen >= 4);
    REQUIRE(journal.append("after the start") == "");
    REQUIRE(journal.sync() == "");

    std::uint64_t newest = 0;
    for (const std::string& path : formats::captures_in(folder + "/captures")) {
        std::ifstream in{path, std::ios::binary};
        formats::CaptureReader capture{in};
        formats::RecordedStep step;
        while (capture.next(step)) {
        }
        REQUIRE(capture.complete());
        newest = std::max(newest, capture.header().cause_step);
    }
    REQUIRE(newest >= told.last['C']);

    REQUIRE(formats::append_row(folder + "/rows.csv", columns, "99,after the start") == "");
    const formats::Rows rows = formats::read_rows(folder + "/rows.csv");
    REQUIRE(rows.damaged == 0);
    std::set<std::string> texts;
    for (const formats::Row& row : rows.rows) texts.insert(row.text);
    REQUIRE(texts.size() == rows.rows.size());
    for (std::uint64_t round = 1; round <= told.last['R']; ++round)
        REQUIRE(texts.contains(std::to_string(round) + ",row"));
    REQUIRE(texts.contains("99,after the start"));
}

void stop_everywhere(shim::Stop stop) {
    std::uint64_t at = 1;
    int torn_states = 0;
    for (;; ++at) {
        CAPTURE(at);
        test::TemporaryFolder top;
        const std::string folder = top / "disk", image = top / "image";
        std::filesystem::create_directory(folder);
        Told told = run_child(folder, image, stop, at);
        const std::string left = stop == shim::Stop::killed ? folder : image;
        check(left, told);
        torn_states += told.torn_states;
        if (told.finished) break;
    }
    MESSAGE("stopped at ", at - 1, " points");
    CHECK(at > 150);
    CHECK((torn_states > 0) == (stop == shim::Stop::torn));
}

}  // namespace

TEST_CASE("killed at each change") {
    stop_everywhere(shim::Stop::killed);
}

TEST_CASE("power cut at each change: what was not synced is gone") {
    stop_everywhere(shim::Stop::power_cut);
}

TEST_CASE("power cut at each change: names stay, contents that were not synced are half there") {
    stop_everywhere(shim::Stop::torn);
}
