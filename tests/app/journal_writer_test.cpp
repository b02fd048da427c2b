#include "recording/journal_writer.hpp"

#include <doctest/doctest.h>
#include <sys/resource.h>

#include <csignal>
#include <filesystem>
#include <fstream>
#include <nlohmann/json.hpp>
#include <optional>

#include "base/wall_clock.hpp"
#include "eventually.hpp"
#include "listening.hpp"
#include "processor_time.hpp"
#include "sample_plan.hpp"
#include "store/journal.hpp"
#include "store/proof_record.hpp"
#include "store/transmission_log.hpp"
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
    StorageState state;
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
        recorder.emplace(configuration, events, *snapshots, state, told);
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
        const auto found =
            formats::JournalReader{configuration.state_directory + "/journal"}.from(wanted, state.journal_durable);
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

TEST_CASE("while nothing happens it takes no processor time") {
    Bench bench;
    bench.start();
    std::this_thread::sleep_for(100ms);  // it has begun
    CHECK(test::processor_time_while([] { std::this_thread::sleep_for(1s); }) < 50ms);
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

TEST_CASE("what is left at a stop is written: events, and a proof test's date") {
    Bench bench;
    bench.recorder.emplace(bench.configuration, bench.events, *bench.snapshots, bench.state, bench.told);
    for (int i = 0; i < 3; ++i) bench.happen(core::EventKind::rf_on);
    CHECK(bench.state.proved_at_s == 0);
    bench.happen(core::EventKind::proof_passed);
    CHECK_FALSE(bench.stop());  // never started, and from here on it only makes its last pass
    bench.recorder->start();
    CHECK(bench.stop());
    CHECK(bench.state.journal_durable == 4);
    CHECK(bench.state.proved_at_s > 1'600'000'000);
    CHECK(formats::load_proof(bench.folder.path()) == bench.state.proved_at_s);
}

TEST_CASE("a storage that comes back just before the stop takes all") {
    Bench bench;
    bench.configuration.state_directory = bench.folder / "missing";
    bench.start();
    for (int i = 0; i < 3; ++i) bench.happen(core::EventKind::rf_on);
    REQUIRE(test::eventually([&] { return bench.state.failing.load(); }));
    std::filesystem::create_directory(bench.configuration.state_directory);
    CHECK(bench.stop());
    CHECK(bench.state.journal_durable == 3);
}

TEST_CASE("a storage that failed before the first event counts as well again once it takes writes") {
    Bench bench;
    bench.configuration.state_directory = bench.folder / "missing";
    bench.start();
    REQUIRE(test::eventually([&] { return bench.state.failing.load(); }));
    std::filesystem::create_directory(bench.folder / "missing");
    CHECK(test::eventually([&] { return !bench.state.failing.load(); }));
}

TEST_CASE("a proof test's date is tried again until it is durable; other events have none") {
    Bench bench;
    bench.configuration.state_directory = bench.folder / "missing";
    bench.start();
    bench.happen(core::EventKind::started);
    REQUIRE(test::eventually([&] { return bench.state.failing.load(); }));
    CHECK(bench.state.proved_at_s == 0);
    bench.happen(core::EventKind::proof_passed);
    REQUIRE(test::eventually([&] { return bench.state.failed_writes >= 3; }));
    CHECK(bench.state.proved_at_s > 0);
    std::filesystem::create_directory(bench.configuration.state_directory);
    REQUIRE(test::eventually(
        [&] { return formats::load_proof(bench.configuration.state_directory) == bench.state.proved_at_s; }));
    CHECK(bench.stop());
}

TEST_CASE("a proof test's date that finds no place is tried once a second, said, and written once") {
    const test::Listening log;
    Bench bench;
    // A folder in its place: the journal is well meanwhile, and yet the storage fails.
    const std::filesystem::path proof = bench.folder / "proof";
    std::filesystem::create_directory(proof);
    std::ofstream{proof / "in the way"} << "x";
    bench.start();
    const core::Instant begun = monotonic_now();
    bench.happen(core::EventKind::proof_passed);
    REQUIRE(test::eventually([&] { return bench.state.failed_writes >= 1 && bench.state.journal_durable == 1; }));
    for (int i = 0; i < 100; ++i) {
        bench.recorder->wake().ring();
        std::this_thread::sleep_for(5ms);  // time to do wrong
    }
    CHECK(bench.state.failing);
    const auto failed = bench.state.failed_writes.load();
    CHECK(static_cast<core::Duration>(monotonic_now() - begun) >= (failed - 1) * 1s);
    CHECK(log->count("the proof test's date is not durable") == 1);
    CHECK(log->count("takes writes again") == 0);
    std::filesystem::remove_all(proof);
    REQUIRE(test::eventually([&] { return !bench.state.failing; }));
    CHECK(formats::load_proof(bench.folder.path()) == bench.state.proved_at_s);
    // Then it is done: what takes its place is left alone, and the next trouble is said at once.
    std::filesystem::remove(proof);
    bench.happen(core::EventKind::rf_on);
    REQUIRE(test::eventually([&] { return bench.state.journal_durable == 2; }));
    CHECK_FALSE(std::filesystem::exists(proof));
    std::filesystem::create_directory(proof);
    std::ofstream{proof / "in the way"} << "x";
    bench.happen(core::EventKind::proof_passed);
    REQUIRE(test::eventually([&] { return bench.state.failing.load(); }));
    CHECK(test::eventually([&] { return log->count("the proof test's date is not durable") == 2; }));
}

TEST_CASE("an event for which a full storage has no room stays, and is said") {
    const test::Listening log;
    Bench bench;
    bench.start();
    bench.happen(core::EventKind::started);
    REQUIRE(test::eventually([&] { return bench.state.journal_durable == 1; }));
    const std::filesystem::path segment = *std::filesystem::directory_iterator{bench.folder / "journal"};
    rlimit before{};
    REQUIRE(::getrlimit(RLIMIT_FSIZE, &before) == 0);
    const auto ignored = std::signal(SIGXFSZ, SIG_IGN);
    const rlimit full{.rlim_cur = std::filesystem::file_size(segment), .rlim_max = before.rlim_max};
    REQUIRE(::setrlimit(RLIMIT_FSIZE, &full) == 0);
    bench.happen(core::EventKind::rf_on);
    CHECK(test::eventually([&] { return bench.state.failing.load(); }));
    REQUIRE(::setrlimit(RLIMIT_FSIZE, &before) == 0);
    std::signal(SIGXFSZ, ignored);
    CHECK(bench.state.journal_durable == 1);
    CHECK(log->count("events are not durable: can't append") == 1);
    CHECK(bench.stop());
    CHECK(bench.state.journal_durable == 2);
}

TEST_CASE("a storage that fails is tried again after a while, and that is said once") {
    const test::Listening log;
    Bench bench;
    bench.configuration.state_directory = bench.folder / "missing";
    const core::Instant begun = monotonic_now();
    bench.start();
    for (int i = 0; i < 20; ++i) {
        bench.happen(core::EventKind::rf_on);
        std::this_thread::sleep_for(5ms);  // time to do wrong
    }
    REQUIRE(test::eventually([&] { return bench.state.failing.load(); }));
    const auto failed = bench.state.failed_writes.load();
    CHECK(static_cast<core::Duration>(monotonic_now() - begun) >= (failed - 1) * 5s);
    REQUIRE(test::eventually([&] { return bench.state.failed_writes >= 2; }));
    CHECK(monotonic_now() - begun >= 5s);
    CHECK(log->count("events are not durable") == 1);
    CHECK(log->count("takes writes again") == 0);
    std::filesystem::create_directory(bench.configuration.state_directory);
    CHECK(bench.stop());
    CHECK(bench.state.journal_durable == 20);
    CHECK_FALSE(bench.state.failing);
    CHECK(log->count("takes writes again; 0 events were lost") == 1);
}

TEST_CASE("2000 events wait for the storage; of more the oldest are lost, and counted") {
    Bench bench;
    bench.configuration.state_directory = bench.folder / "missing";
    bench.start();
    core::Event event;
    event.kind = core::EventKind::rf_on;
    for (event.number = 1; event.number <= 2001; ++event.number) {
        event.at = monotonic_now();
        while (!bench.events.push(event)) std::this_thread::sleep_for(1ms);
        bench.recorder->wake().ring();
    }
    REQUIRE(test::eventually([&] { return bench.state.unwritten > 0; }));
    std::filesystem::create_directory(bench.configuration.state_directory);
    CHECK(bench.stop());
    CHECK(bench.state.unwritten == 1);
    CHECK(bench.state.journal_durable == 2000);
    CHECK(bench.entry(1)["since_start"] == 2);
    CHECK(bench.entry(2000)["since_start"] == 2001);
}

TEST_CASE("transmissions become events, with the state of the day; 100 wait for the recorder") {
    Bench bench;
    bench.snapshot.state = core::State::permitted;
    bench.recorder.emplace(bench.configuration, bench.events, *bench.snapshots, bench.state, bench.told);
    bench.publish();
    for (int i = 0; i < 101; ++i) bench.recorder->tell_transmission({});
    CHECK(bench.state.unwritten == 1);
    bench.recorder->start();
    REQUIRE(test::eventually([&] { return bench.state.journal_durable == 100; }));
    CHECK(bench.stop());
    const nlohmann::json entry = bench.entry(1);
    CHECK(entry["kind"] == "transmission");
    CHECK(entry["text"] == formats::sentence(formats::Transmission{}));
    CHECK(entry["state"] == "permitted");
    CHECK(entry["at_s"].get<double>() ==
          doctest::Approx(core::seconds(monotonic_now().time_since_epoch())).epsilon(0.01));
    CHECK(entry["transmission"].is_object());
}

TEST_CASE("an event takes the snapshot of its own step, though a newer one is there already") {
    Bench bench;
    bench.snapshot.quantities[1] = test::good(104.0);
    bench.start();
    core::Event trip;
    trip.kind = core::EventKind::tripped;
    trip.source = test::vswr_limit;
    trip.first_cause = true;
    trip.condition = core::Condition::bad;
    trip.reading = test::good(2.41);
    bench.snapshot.now = trip.at = monotonic_now();
    bench.snapshots->draft() = bench.snapshot;
    bench.snapshots->publish();
    for (std::uint64_t number = 1; number <= 2; ++number) {
        trip.number = number;
        REQUIRE(bench.events.push(trip));
        bench.recorder->wake().ring();
        REQUIRE(test::eventually([&] { return bench.state.journal_durable == number; }));
        CHECK(bench.entry(number)["text"].get<std::string>().find("forward 104 W") != std::string::npos);
        bench.publish();
    }
    CHECK(bench.stop());
}

TEST_CASE("a hold's entry says its reason, and no other event's does") {
    Bench bench;
    bench.state.notes.put_hold(core::Origin::local, {.at_s = 7, .reason = "climber on the mast"});
    bench.start();
    core::Event released;
    released.number = 2;
    released.at = monotonic_now();
    released.kind = core::EventKind::released;
    released.origin = core::Origin::local;
    core::Event held = released;
    held.number = 1;
    held.kind = core::EventKind::held;
    for (const core::Event& event : {held, released}) REQUIRE(bench.events.push(event));
    bench.recorder->wake().ring();
    REQUIRE(test::eventually([&] { return bench.state.journal_durable == 2; }));
    CHECK(bench.entry(1)["text"].get<std::string>().find("climber on the mast") != std::string::npos);
    CHECK(bench.entry(2)["text"].get<std::string>().find("climber on the mast") == std::string::npos);
    CHECK(bench.stop());
}

TEST_CASE("a journal that ends in a torn write is mended, and said to be; one that is whole is found as it was") {
    Bench bench;
    bench.start();
    bench.happen(core::EventKind::started);
    const core::Instant patience = monotonic_now() + 20s;
    bench.told.wait(patience);  // rung when it is durable
    CHECK(monotonic_now() < patience);
    CHECK(bench.state.journal_durable == 1);
    CHECK(bench.state.journal_open);
    CHECK(bench.stop());
    const auto epoch = bench.state.journal_epoch.load();
    CHECK(epoch != 0);
    for (const bool torn : {false, true}) {
        const std::filesystem::path segment = *std::filesystem::directory_iterator{bench.folder / "journal"};
        if (torn) std::ofstream{segment, std::ios::app} << "t";
        const test::Listening log;
        bench.state.journal_durable = 0;
        bench.state.journal_epoch = 0;
        bench.state.journal_open = false;
        bench.start();
        REQUIRE(test::eventually([&] { return bench.state.journal_open.load(); }));
        CHECK(bench.state.journal_durable == 1);
        CHECK(bench.state.journal_epoch == epoch);
        CHECK(bench.stop());
        CHECK(log->count("1 bytes of a torn write") == (torn ? 1 : 0));
        CHECK(log->count("torn") == (torn ? 1 : 0));
    }
}

TEST_CASE("a transmission, and a stop, are taken at once") {
    core::Duration told = 1h, stopped = 1h;
    for (int i = 0; i < 8; ++i) {
        Bench bench;
        bench.start();
        REQUIRE(test::eventually([&] { return bench.state.journal_open.load(); }));
        const core::Instant begun = monotonic_now();
        bench.recorder->tell_transmission({});
        REQUIRE(test::eventually([&] { return bench.state.journal_durable == 1; }));
        const core::Instant written = monotonic_now();
        told = std::min<core::Duration>(told, written - begun);
        CHECK(bench.stop());
        stopped = std::min<core::Duration>(stopped, monotonic_now() - written);
    }
    CHECK(told < 400ms);  // the quickest of several: a busy machine makes some of them slow
    CHECK(stopped < 400ms);
}

TEST_CASE("one that goes without a stop writes what is left") {
    Bench bench;
    bench.start();
    bench.happen(core::EventKind::rf_on);
    bench.recorder.reset();
    CHECK(bench.state.journal_durable == 1);
}
