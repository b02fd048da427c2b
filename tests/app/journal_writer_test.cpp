#include "recording/journal_writer.hpp"

#include <doctest/doctest.h>

#include <filesystem>
#include <fstream>
#include <nlohmann/json.hpp>
#include <optional>

#include "base/wall_clock.hpp"
#include "eventually.hpp"
#include "sample_plan.hpp"
#include "store/journal.hpp"
#include "temporary_folder.hpp"

using namespace dekeyd;
using namespace std::chrono_literals;

namespace {

/// A recorder on a folder, and the guard's side of it.
struct Bench {
    test::TemporaryFolder folder;
    formats::Configuration configuration;
    Ring<core::Event> events{64};
    std::optional<Newest<core::Snapshot>> snapshots;
    RecorderState state;
    Wake told;
    std::optional<JournalWriter> recorder;
    core::Snapshot snapshot;
    std::uint64_t number = 0;

    Bench() {
        configuration.id = "hilltop";
        configuration.plan = test::sample_plan();
        configuration.state_directory = folder.path();
        snapshot = core::Protection::blank(configuration.plan);
        snapshots.emplace(snapshot);
    }
    void start() {
        recorder.emplace(configuration, events, *snapshots, state, &told);
        recorder->start();
    }
    void publish() {
        ++snapshot.sequence;
        snapshot.now = monotonic_now();
        snapshots->draft() = snapshot;
        snapshots->publish();
        recorder->wake().ring();
    }
    void happen(core::EventKind kind, core::SourceIndex source = core::no_source) {
        core::Event event;
        event.number = ++number;
        event.at = monotonic_now();
        event.kind = kind;
        event.source = source;
        REQUIRE(events.push(event));
        recorder->wake().ring();
    }
    bool stop() { return recorder->stop(monotonic_now() + 20s); }
    [[nodiscard]] nlohmann::json entry(std::uint64_t wanted) const {
        const auto found = formats::JournalReader{folder / "journal"}.from(wanted, state.journal_durable);
        return found && found->number == wanted ? nlohmann::json::parse(found->text) : nlohmann::json{};
    }
};

}  // namespace

TEST_CASE("nothing is written while nothing happens") {
    Bench bench;
    bench.start();
    bench.publish();
    bench.happen(core::EventKind::permitted);
    REQUIRE(test::eventually([&] { return bench.state.journal_durable == 1; }));
    const auto stamp = [&](const char* name) { return std::filesystem::last_write_time(bench.folder / name); };
    const auto journal = stamp("journal");
    for (int i = 0; i < 30; ++i) {
        bench.snapshot.quantities[0] = test::good(40.0 + i);
        bench.publish();
        std::this_thread::sleep_for(10ms);  // gives it the time to do wrong
    }
    CHECK(stamp("journal") == journal);
    CHECK(bench.stop());
}

TEST_CASE("events are numbered through restarts and carry the epoch") {
    Bench bench;
    bench.start();
    bench.publish();
    bench.happen(core::EventKind::started);
    bench.happen(core::EventKind::tripped, test::vswr_limit);
    REQUIRE(test::eventually([&] { return bench.state.journal_durable == 2; }));
    CHECK(bench.stop());
    bench.number = 0;
    bench.start();
    bench.happen(core::EventKind::started);
    REQUIRE(test::eventually([&] { return bench.state.journal_durable == 3; }));
    CHECK(bench.stop());

    const nlohmann::json second = bench.entry(2);
    const nlohmann::json third = bench.entry(3);
    CHECK(second["number"] == 2);
    CHECK(second["kind"] == "tripped");
    CHECK(second["source"] == "vswr");
    CHECK(third["number"] == 3);
    CHECK(third["since_start"] == 1);
    CHECK(third["epoch"] == second["epoch"]);
    CHECK(third["epoch"].get<std::string>().size() == 16);
}

TEST_CASE("a trip's sentence takes the forward power of its own step only") {
    Bench bench;
    bench.snapshot.quantities[1] = test::good(104.0);
    bench.start();
    core::Event trip;
    trip.number = 1;
    trip.kind = core::EventKind::tripped;
    trip.source = test::vswr_limit;
    trip.first_cause = true;
    trip.condition = core::Condition::bad;
    trip.state = core::State::latched;
    trip.reading = test::good(2.41);
    bench.snapshot.sequence = 1;
    bench.snapshot.now = trip.at = monotonic_now();
    bench.snapshots->draft() = bench.snapshot;
    bench.snapshots->publish();
    REQUIRE(bench.events.push(trip));
    REQUIRE(test::eventually([&] { return bench.state.journal_durable == 1; }));
    trip.at += 1ns;
    REQUIRE(bench.events.push(trip));
    REQUIRE(test::eventually([&] { return bench.state.journal_durable == 2; }));
    CHECK(bench.stop());
    CHECK(bench.entry(1)["text"] ==
          "Tripped: VSWR 2.41 at or above 2.00; forward 104 W. Latched until an operator resets it.");
    CHECK(bench.entry(2)["text"] == "Tripped: VSWR 2.41 at or above 2.00. Latched until an operator resets it.");
}

TEST_CASE("with no storage events wait, are counted when there is no room, and go in once it is back") {
    Bench bench;
    bench.configuration.state_directory = bench.folder / "missing";
    bench.start();
    bench.publish();
    for (int i = 0; i < 3; ++i) bench.happen(core::EventKind::rf_on);
    REQUIRE(test::eventually([&] { return bench.state.failing.load(); }));
    CHECK_FALSE(bench.state.journal_open);
    std::filesystem::create_directory(bench.folder / "missing");
    REQUIRE(test::eventually([&] { return bench.state.journal_durable == 3; }));
    REQUIRE(test::eventually([&] { return !bench.state.failing; }));
    CHECK(bench.state.failed_writes > 0);
    CHECK(bench.state.unwritten == 0);
    CHECK(bench.stop());
}

TEST_CASE("a stop that could not write says so") {
    Bench bench;
    bench.configuration.state_directory = bench.folder / "missing";
    bench.start();
    bench.happen(core::EventKind::rf_on);
    CHECK_FALSE(bench.stop());
}
