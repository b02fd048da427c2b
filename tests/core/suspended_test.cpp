// A machine that slept: the monotonic clock, and with it every age, stood still.
#include <doctest/doctest.h>

#include "timeline.hpp"

using namespace timeline;

TEST_CASE("a sleep of more than a deadline takes the permit away at once, latches, and says how long") {
    Bench b;
    REQUIRE(b.start());
    b.run(1s, true);
    b.slept = b.the_plan.interlock.guard_deadline;
    CHECK(b.step());
    CHECK(b.protection.snapshot().quantities[heatsink].health == Health::good);
    b.run(1s, true);
    const SourceIndex source = source_of(b.the_plan, Builtin::suspended);
    b.slept = b.the_plan.interlock.guard_deadline + 1ns;
    CHECK_FALSE(b.step());
    REQUIRE(b.last(EventKind::tripped) != nullptr);
    const Event trip = *b.last(EventKind::tripped);
    CHECK(trip.source == source);
    CHECK(trip.first_cause);
    CHECK(trip.reading.value == doctest::Approx(0.2));
    CHECK(b.state() == State::latched);
    CHECK(b.protection.memory().latched[source]);
    CHECK(b.run(10s, false));
    b.step({{CommandKind::reset, Origin::local, 1}});
    CHECK(b.until(true, 2s) >= 0s);
    b.slept = 72h;
    CHECK_FALSE(b.step());
    CHECK(b.last(EventKind::tripped)->reading.value == doctest::Approx(72.0 * 3600.0));
}

TEST_CASE("what was read before a sleep, or begun before it, counts no more") {
    Bench b;
    REQUIRE(b.start());
    b.run(1s, true);
    b.slept = 1h;
    b.step();
    for (std::size_t i = 0; i < b.the_plan.channels.size(); ++i)
        CHECK(b.protection.snapshot().quantities[i].health == Health::unknown);
    CHECK(b.protection.snapshot().quantities[b.the_plan.index(Derived::vswr)].health == Health::unknown);
    // A conversion that was begun before the sleep and comes after it.
    const std::array wire{Sample{.value = 30.0, .begun = b.now - 20ms, .fault = Fault::none}};
    const std::array scans{Scan{0, wire}};
    b.protection.step({.now = b.now, .scans = scans, .commands = {}, .line = {.known = true, .permit = false}});
    CHECK(b.protection.snapshot().quantities[heatsink].health == Health::unknown);
    CHECK(b.protection.snapshot().quantities[heatsink].fault == Fault::stale);
    CHECK(b.protection.snapshot().causes[hot].condition == Condition::unknown);
    b.now += 20ms;
    b.step();
    CHECK(b.protection.snapshot().quantities[heatsink].health == Health::good);
}

TEST_CASE("a thermometer at its power-on value after a sleep isn't believed") {
    Bench b;
    b.heatsink_c = 50.0;
    REQUIRE(b.start());
    b.slept = 1h;
    b.heatsink_c = 85.0;
    b.step();
    CHECK(b.run(2s, false));
    CHECK(b.protection.snapshot().quantities[heatsink].health == Health::unknown);
}

TEST_CASE("a sleep while starting, held or proving latches as well") {
    Bench starting;
    starting.slept = 1h;
    CHECK(starting.run(5s, false));
    CHECK(starting.state() == State::latched);
    Bench b;
    REQUIRE(b.start());
    b.step({{CommandKind::hold, Origin::local, 1}});
    b.step();
    b.step({{CommandKind::prove, Origin::local, 2}});
    b.step({{CommandKind::prove_line, Origin::local, 3}});
    REQUIRE(b.until(true, 1s) >= 0s);
    b.slept = 1h;
    CHECK_FALSE(b.step());
    b.step();
    REQUIRE(b.last(EventKind::proof_ended) != nullptr);
    CHECK(b.last(EventKind::proof_ended)->why == ProofEnd::cause);
    CHECK(b.state() == State::latched);
}
