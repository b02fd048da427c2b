#include "recording/state_keeper.hpp"

#include <doctest/doctest.h>

#include <atomic>
#include <filesystem>
#include <fstream>
#include <optional>
#include <stdexcept>

#include "base/wall_clock.hpp"
#include "eventually.hpp"
#include "listening.hpp"
#include "processor_time.hpp"
#include "sample_plan.hpp"
#include "store/state_slots.hpp"
#include "temporary_folder.hpp"

using namespace dekeyd;
using namespace std::chrono_literals;

namespace {

/// A keeper on two folders, and the guard's side of it. A file in the state folder's place: nothing can be saved.
struct Bench {
    test::TemporaryFolder folder, run;
    formats::Configuration configuration;
    std::optional<Newest<core::Snapshot>> snapshots;
    StorageState state;
    std::optional<StateKeeper> keeper;
    core::Snapshot snapshot;
    std::atomic<int> told{0};
    std::function<void()> begin;  ///< the hook

    Bench() {
        configuration.plan = test::sample_plan();
        configuration.state_directory = folder / "state-folder";
        configuration.run_directory = run.path();
        std::filesystem::create_directory(configuration.state_directory);
        snapshot = core::Protection::blank(configuration.plan);
        snapshots.emplace(snapshot);
    }
    void start() {
        formats::StoredState begun = stored();
        start(begun);
    }
    void start(const formats::StoredState& begun) {
        keeper.reset();
        snapshots.emplace(core::Protection::blank(configuration.plan));
        snapshot.memory = begun.memory;
        keeper.emplace(configuration, begun, *snapshots, state,
                       StateKeeper::Hooks{.noted = [this] { ++told; }, .begin = begin});
        keeper->start();
    }
    core::Instant publish() {
        ++snapshot.sequence;
        snapshot.now = monotonic_now();
        snapshots->draft() = snapshot;
        snapshots->publish();
        keeper->wake().ring();
        return snapshot.now;
    }
    void take_storage_away() {
        std::filesystem::rename(configuration.state_directory, folder / "away");
        std::ofstream{configuration.state_directory} << "in the way";
    }
    void give_storage_back() {
        std::filesystem::remove(configuration.state_directory);
        std::filesystem::rename(folder / "away", configuration.state_directory);
    }
    bool stop(core::Duration within = 20s) { return keeper->stop(monotonic_now() + within); }
    [[nodiscard]] formats::StoredState stored() const {
        return formats::load_state(configuration.state_directory, configuration.plan);
    }
    [[nodiscard]] formats::StoredState found(bool& unsaved) const {
        return formats::load_state(configuration.state_directory, configuration.run_directory, configuration.plan,
                                   unsaved);
    }
};

}  // namespace

TEST_CASE("while nothing changes, saved or not, it takes no processor time") {
    Bench bench;
    bench.start();
    REQUIRE(test::eventually([&] { return bench.told == 1; }));
    CHECK(test::processor_time_while([] { std::this_thread::sleep_for(1s); }) < 50ms);
    bench.take_storage_away();
    bench.snapshot.memory.held_locally = true;
    bench.publish();
    REQUIRE(test::eventually([&] { return bench.state.state_failing.load(); }));
    CHECK(test::processor_time_while([] { std::this_thread::sleep_for(1s); }) < 50ms);
    bench.give_storage_back();
    CHECK(bench.stop());
}

TEST_CASE("a run that was not stopped shows, and one that was stopped cleanly doesn't") {
    Bench bench;
    CHECK(bench.stored().memory.first_start);
    bench.start();
    REQUIRE(test::eventually([&] { return bench.stored().running; }));
    CHECK(bench.stored().memory.first_start);  // until the operator's first reset
    CHECK(bench.stop());
    CHECK_FALSE(bench.stored().running);
    CHECK(bench.stored().memory.first_start);
}

TEST_CASE("the start is told once, when the storage has it and not before") {
    Bench bench;
    bench.take_storage_away();
    formats::StoredState begun = formats::blank_state(bench.configuration.plan);
    begun.memory.unclean_level = 7s;
    begun.sequence = 4;
    bench.start(begun);
    REQUIRE(test::eventually([&] { return bench.state.failed_writes > 1; }));
    CHECK(bench.told == 0);
    CHECK(bench.state.state_failing);
    CHECK(bench.state.unsaved_since.load() != core::Instant{});
    bench.give_storage_back();
    REQUIRE(test::eventually([&] { return bench.told == 1; }));
    CHECK(bench.stored().running);
    CHECK(bench.stored().memory.unclean_level == 7s);
    CHECK(bench.stored().sequence == 5);
    CHECK_FALSE(bench.state.state_failing);
    bench.snapshot.memory.held_locally = true;
    bench.publish();
    CHECK(bench.stop());
    CHECK(bench.told == 1);
}

TEST_CASE("a latch is saved when it is made, and its taking away too; what is durable is told") {
    Bench bench;
    bench.start(formats::blank_state(bench.configuration.plan));
    core::Instant at = bench.publish();
    REQUIRE(test::eventually([&] { return bench.state.saved_through.load() >= at; }));
    CHECK(bench.state.unsaved_since.load() == core::Instant{});
    for (const bool latched : {true, false}) {
        bench.snapshot.memory.latched[test::vswr_limit] = latched;
        at = bench.publish();
        REQUIRE(test::eventually([&] { return bench.state.saved_through.load() >= at; }));
        CHECK(bench.stored().memory.latched[test::vswr_limit] == latched);
        CHECK(bench.stored().running);
    }
    CHECK(bench.stop());
    CHECK(bench.state.failed_writes == 0);
}

TEST_CASE("a hold is durable only with its reason, another reason is saved too, and a lockout gets its time") {
    Bench bench;
    bench.start(formats::blank_state(bench.configuration.plan));
    for (const char* const reason : {"climber on the mast", "and a second one"}) {
        bench.state.notes.put_hold(core::Origin::local, {.at_s = 7, .reason = reason});
        bench.snapshot.memory.held_locally = true;
        const core::Instant at = bench.publish();
        REQUIRE(test::eventually([&] { return bench.state.saved_through.load() >= at; }));
        CHECK(bench.stored().notes.local.reason == reason);
    }
    bench.snapshot.memory.held_locally = false;
    bench.snapshot.memory.locked_out = true;
    const core::Instant at = bench.publish();
    REQUIRE(test::eventually([&] { return bench.state.saved_through.load() >= at; }));
    CHECK(bench.stored().notes.local == formats::Note{});
    CHECK(bench.stored().notes.lockout.at_s > 0);
    // Its time is that of its beginning, whatever changes meanwhile.
    bench.state.notes.put_lockout({.at_s = 5});
    bench.snapshot.memory.held_remotely = true;
    const core::Instant later = bench.publish();
    REQUIRE(test::eventually([&] { return bench.state.saved_through.load() >= later; }));
    bench.publish();
    CHECK(bench.stop());
    CHECK(bench.stored().notes.lockout.at_s == 5);
    // The next start has them again.
    bench.state.notes.begin({});
    bench.start();
    CHECK(bench.state.notes.of(bench.stored().memory) == bench.stored().notes);
    CHECK(bench.stop());
}

TEST_CASE("nothing is written while nothing happens") {
    Bench bench;
    bench.start(formats::blank_state(bench.configuration.plan));
    const core::Instant at = bench.publish();
    REQUIRE(test::eventually([&] { return bench.state.saved_through.load() >= at; }));
    const std::string path = bench.configuration.state_directory + "/state";
    const auto stamp = std::filesystem::last_write_time(path);
    for (int i = 0; i < 30; ++i) {
        bench.snapshot.quantities[0] = test::good(40.0 + i);
        bench.publish();
        std::this_thread::sleep_for(10ms);  // gives it the time to do wrong
    }
    CHECK(std::filesystem::last_write_time(path) == stamp);
    CHECK(bench.stop());
}

TEST_CASE("a storage that takes nothing: not durable, and the next start has it all the same, latched") {
    Bench bench;
    bench.start(formats::blank_state(bench.configuration.plan));
    core::Instant at = bench.publish();
    REQUIRE(test::eventually([&] { return bench.state.saved_through.load() >= at; }));
    bench.take_storage_away();
    bench.snapshot.memory.held_locally = true;
    at = bench.publish();
    REQUIRE(test::eventually([&] { return bench.state.failed_writes > 0; }));
    CHECK(bench.state.saved_through.load() < at);
    CHECK(bench.state.unsaved_since.load() >= at);
    SUBCASE("killed") {
        // What the two folders have now is what the next start finds.
        std::filesystem::copy(bench.folder / "away", bench.folder / "after");
        std::filesystem::copy(bench.configuration.run_directory, bench.folder / "run-after");
        bool unsaved = false;
        const auto found =
            formats::load_state(bench.folder / "after", bench.folder / "run-after", bench.configuration.plan, unsaved);
        CHECK(unsaved);
        CHECK(found.memory.held_locally);
        CHECK(found.memory.unreadable);
    }
    SUBCASE("stopped: no clean stop") {
        CHECK_FALSE(bench.stop());
        bench.give_storage_back();
        bool unsaved = false;
        const auto found = bench.found(unsaved);
        CHECK(unsaved);
        CHECK(found.memory.held_locally);
        CHECK(found.memory.unreadable);
        CHECK(found.running);
        // And the start after that one is clean again, as soon as it has saved what it found.
        Bench& again = bench;
        again.start(found);
        REQUIRE(test::eventually([&] { return again.told == 2; }));
        CHECK(again.stop());
        CHECK(again.found(unsaved).memory.unreadable);  // until the operator's reset
        CHECK_FALSE(unsaved);
    }
    SUBCASE("well again") {
        bench.give_storage_back();
        REQUIRE(test::eventually([&] { return bench.state.saved_through.load() >= at; }));
        CHECK(bench.state.unsaved_since.load() == core::Instant{});
        CHECK(bench.stored().memory.held_locally);
        CHECK(bench.stop());
        bool unsaved = true;
        CHECK_FALSE(bench.found(unsaved).memory.unreadable);
        CHECK_FALSE(unsaved);
    }
}

TEST_CASE("a stop whose last save failed is not clean, though nothing but the stop was to be saved") {
    Bench bench;
    bench.start(formats::blank_state(bench.configuration.plan));
    const core::Instant at = bench.publish();
    REQUIRE(test::eventually([&] { return bench.state.saved_through.load() >= at; }));
    bench.take_storage_away();
    CHECK_FALSE(bench.stop());
    bench.give_storage_back();
    bool unsaved = false;
    CHECK(bench.found(unsaved).memory.unreadable);
    CHECK(unsaved);
}

TEST_CASE("a storage that never took the start") {
    Bench bench;
    bench.take_storage_away();
    bench.start(formats::blank_state(bench.configuration.plan));
    REQUIRE(test::eventually([&] { return bench.state.failed_writes > 0; }));
    CHECK(bench.told == 0);
    SUBCASE("nothing changed: nothing is missing") {
        CHECK(bench.stop());
        bench.give_storage_back();
        bool unsaved = true;
        CHECK_FALSE(bench.found(unsaved).memory.unreadable);
        CHECK_FALSE(unsaved);
    }
    SUBCASE("held meanwhile") {
        bench.snapshot.memory.held_locally = true;
        bench.publish();
        CHECK_FALSE(bench.stop());
        bench.give_storage_back();
        formats::StateSlots slots{bench.configuration.state_directory};
        REQUIRE(slots.save(bench.configuration.plan, formats::blank_state(bench.configuration.plan)) == "");
        bool unsaved = false;
        CHECK(bench.found(unsaved).memory.held_locally);
        CHECK(unsaved);
    }
}

TEST_CASE("one that was never started saves nothing, and leaves nothing") {
    Bench bench;
    {
        const StateKeeper never{
            bench.configuration, formats::blank_state(bench.configuration.plan), *bench.snapshots, bench.state, {}};
    }
    CHECK(std::filesystem::is_empty(bench.run.path()));
    CHECK(std::filesystem::is_empty(bench.configuration.state_directory));
}

TEST_CASE("the copy has its room before there is anything to copy") {
    Bench bench;
    bench.start();
    const std::string copy = bench.run / "unsaved";
    REQUIRE(
        test::eventually([&] { return std::filesystem::exists(copy) && std::filesystem::file_size(copy) >= 4096; }));
    CHECK(bench.stop());
}

TEST_CASE("a storage that fails is tried again once a second, and that is said once") {
    const test::Listening log;
    Bench bench;
    bench.take_storage_away();
    const core::Instant begun = monotonic_now();
    bench.start(formats::blank_state(bench.configuration.plan));
    REQUIRE(test::eventually([&] { return bench.state.failed_writes > 0; }));
    const auto first = bench.state.failed_writes.load();
    CHECK(static_cast<core::Duration>(monotonic_now() - begun) >= (first - 1) * 1s);
    REQUIRE(test::eventually([&] { return bench.state.failed_writes >= 3; }));
    CHECK(monotonic_now() - begun >= 2s);
    CHECK(log->count("are not saved") == 1);
    CHECK(log->count("takes the state again") == 0);
    bench.give_storage_back();
    REQUIRE(test::eventually([&] { return log->count("takes the state again") == 1; }));
    // The next time is news.
    bench.take_storage_away();
    bench.snapshot.memory.held_locally = true;
    bench.publish();
    REQUIRE(test::eventually([&] { return log->count("are not saved") == 2; }));
    bench.give_storage_back();
    CHECK(bench.stop());
    CHECK(log->count("takes the state again") == 2);
}

TEST_CASE("what goes wrong before the storage is asked counts as not saved, and is tried again") {
    Bench bench;
    bench.begin = [] { throw std::runtime_error{"no room"}; };
    bench.start();
    REQUIRE(test::eventually([&] { return bench.state.failed_writes == 1; }));
    REQUIRE(test::eventually([&] { return bench.told == 1; }));
    CHECK(bench.stored().running);
    CHECK(bench.stop());
}

TEST_CASE("a start that the storage takes only at the stop is not told any more") {
    Bench bench;
    bench.take_storage_away();
    const core::Instant begun = monotonic_now();
    bench.start(formats::blank_state(bench.configuration.plan));
    REQUIRE(test::eventually([&] { return bench.state.failed_writes > 0; }));
    bench.give_storage_back();
    CHECK(bench.stop());
    if (monotonic_now() - begun < 1s) CHECK(bench.told == 0);  // later it may have been tried again before the stop
    CHECK_FALSE(bench.stored().running);
}

// Of several tries the quickest: a busy machine makes some of them slow, and half a second would come from a wake that
// is missing.
TEST_CASE("what is saved is told at once, and a stop begins at once") {
    core::Duration told = 1h, stopped = 1h;
    for (int i = 0; i < 8; ++i) {
        Bench bench;
        bench.start(formats::blank_state(bench.configuration.plan));
        REQUIRE(test::eventually([&] { return bench.told == 1; }));
        bench.snapshot.memory.held_locally = true;
        const core::Instant at = bench.publish();
        REQUIRE(test::eventually([&] { return bench.state.saved_through.load() >= at; }));
        const core::Instant saved = monotonic_now();
        told = std::min<core::Duration>(told, saved - at);
        CHECK(bench.stop());
        stopped = std::min<core::Duration>(stopped, monotonic_now() - saved);
    }
    CHECK(told < 400ms);
    CHECK(stopped < 400ms);
}

TEST_CASE("one that goes without a stop saves what is left, and a clean end") {
    Bench bench;
    bench.start(formats::blank_state(bench.configuration.plan));
    bench.snapshot.memory.held_locally = true;
    bench.publish();
    bench.keeper.reset();
    CHECK(bench.stored().memory.held_locally);
    CHECK_FALSE(bench.stored().running);
    bool unsaved = true;
    CHECK_FALSE(bench.found(unsaved).memory.unreadable);
    CHECK_FALSE(unsaved);
}
