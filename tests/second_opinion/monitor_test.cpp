// The second opinion alone, against literal timelines. Nothing of core is linked here.
#include "second_opinion/monitor.hpp"

#include <doctest/doctest.h>

#include <array>
#include <cmath>
#include <limits>

using namespace dekeyd::second_opinion;
using namespace std::chrono_literals;

namespace {

constexpr double infinite = std::numeric_limits<double>::infinity();
constexpr double no_number = std::numeric_limits<double>::quiet_NaN();
constexpr std::uint16_t forward = 100, supply = 101;

/// Slots: forward (a falling detector, read twice), supply. One bound on each; the supply's rests without the
/// contactor.
struct Bench {
    std::vector<Sensor> sensors{
        {.name = forward, .slot = 0, .again = 2, .falls = true, .lowest = -infinite, .highest = 2.2, .age = 100ms},
        {.name = supply, .slot = 1, .lowest = 1.0, .highest = 60.0, .age = 100ms}};
    std::vector<Bound> bounds{
        {.name = 0, .sensor = 0, .beyond = {.above = false, .level = 0.5}, .patience = 30ms},
        {.name = 1, .sensor = 1, .beyond = {.above = true, .level = 30.8}, .patience = 120ms, .while_supplied = true}};
    Time supply_time{};
    std::optional<Monitor> made;
    Time now{1h};
    double forward_v = 1.7, again_v = no_number, supply_v = 28.0;
    bool closed = true;

    Monitor& monitor() {
        if (!made) made.emplace(sensors, bounds, supply_time);
        return *made;
    }
    /// A scan, and what is said to it, 10 ms after the one before.
    std::optional<std::uint16_t> look() {
        now += 10ms;
        const std::array<double, 3> slots{forward_v, supply_v, again_v};
        monitor().look(
            0, slots.size(),
            [&](std::size_t slot) {
                return Raw{slots[slot], now - 1ms};
            },
            now);
        return ask();
    }
    std::optional<std::uint16_t> ask() {
        monitor().supply(closed, now);
        return monitor().objection(now);
    }
    /// How long after the first look with what is set now it first objects; -1 ms: not within `most`.
    Time until(std::uint16_t name, Time most = 2s) {
        const Time begun = now + 10ms;
        while (now - begun < most) {
            if (look() == name) return now - begun;
        }
        return -1ms;
    }
    void fair(Time length = 500ms) {
        for (const Time end = now + length; now < end;) REQUIRE_FALSE(look());
    }
};

}  // namespace

TEST_CASE("a monitor without bounds and sensors never objects") {
    Monitor monitor;
    monitor.look(
        0, 3,
        [](std::size_t) {
            return Raw{infinite, 0ns};
        },
        1h);
    CHECK_FALSE(monitor.objection(2h));
    CHECK(monitor.bounds() == 0);
}

TEST_CASE("on the bound it says nothing; a hair beyond it says so after the patience, and not before") {
    Bench b;
    b.fair();
    b.forward_v = 0.5;
    b.fair();
    b.forward_v = std::nextafter(0.5, 0.0);
    CHECK(b.until(0) == 40ms);  // 30 ms is not longer than 30 ms
    b.forward_v = 0.5;
    CHECK_FALSE(b.look());
    b.supply_v = 30.8;
    b.fair();
    b.supply_v = std::nextafter(30.8, 31.0);
    CHECK(b.until(1) == 130ms);
}

TEST_CASE("the patience runs without further looks, to the nanosecond") {
    Bench b;
    b.fair();
    b.forward_v = 0.4;
    b.look();
    const Time first = b.now;
    b.look();
    b.now = first + 30ms;
    CHECK_FALSE(b.ask());
    b.now += 1ns;
    CHECK(b.ask() == 0);
}

TEST_CASE("one look alone is none, however long ago it was") {
    Bench b;
    b.sensors[0].age = never;
    b.sensors[1].age = never;
    b.fair();
    b.forward_v = 0.4;
    b.look();
    b.forward_v = no_number;
    for (int i = 0; i < 100; ++i) CHECK_FALSE(b.look());
    b.forward_v = 0.4;
    CHECK(b.look() == 0);  // the second
}

TEST_CASE("a look inside begins anew") {
    Bench b;
    b.fair();
    for (int i = 0; i < 20; ++i) {
        b.forward_v = 0.4;
        for (int k = 0; k < 4; ++k) CHECK_FALSE(b.look());
        b.forward_v = 0.6;
        CHECK_FALSE(b.look());
    }
}

TEST_CASE("of two readings in a scan the worse counts, and one is enough") {
    Bench b;
    b.fair();
    b.forward_v = 1.0;
    b.again_v = 0.4;
    CHECK(b.until(0) == 40ms);
    b.forward_v = 0.4;
    b.again_v = 1.0;
    CHECK(b.look() == 0);
    b.forward_v = no_number;
    CHECK_FALSE(b.look());
    b.fair();
    b.again_v = no_number;
    CHECK(b.until(forward) == 90ms);  // the last was begun 1 ms before its scan, 10 ms before the first without
    Bench rising;
    rising.sensors[0].falls = false;
    rising.bounds[0].beyond = {.above = true, .level = 2.0};
    rising.again_v = 2.1;
    CHECK(rising.until(0) == 40ms);
    rising.forward_v = 2.1;
    rising.again_v = 1.0;
    CHECK(rising.look() == 0);
}

TEST_CASE("the converter's end on the strong side is beyond; on the weak side it is no reading") {
    Bench b;
    b.fair();
    b.forward_v = -infinite;
    CHECK(b.until(0) == 40ms);
    b.forward_v = infinite;
    for (int i = 0; i < 20; ++i) CHECK(b.look() == 0);  // what was seen beyond was not seen to be gone
    b.forward_v = 1.7;
    b.fair();
    b.forward_v = infinite;
    CHECK(b.until(forward) == 90ms);
}

TEST_CASE("outside the window is no reading: the age runs on") {
    for (const double value : {2.2000001, no_number, infinite}) {
        Bench b;
        b.fair();
        b.forward_v = value;
        CHECK(b.until(forward) == 90ms);
        b.forward_v = 2.2;
        CHECK_FALSE(b.look());
    }
    for (const double value : {0.999, 60.001, no_number, infinite, -infinite}) {
        Bench b;
        b.fair();
        b.supply_v = value;
        CHECK(b.until(supply) == 90ms);
    }
}

TEST_CASE("an objection to a permit stands until the decision is another, and is none to an inhibit") {
    Bench b;
    b.fair();
    b.forward_v = 0.4;
    while (!b.look()) CHECK_FALSE(b.monitor().against(true, b.now));
    CHECK_FALSE(b.monitor().against(false, b.now));
    CHECK(b.monitor().against(true, b.now) == 0);
    b.forward_v = 1.7;
    b.fair();  // the reason is gone
    CHECK(b.monitor().against(true, b.now) == 0);
    CHECK_FALSE(b.monitor().against(false, b.now));
    CHECK_FALSE(b.monitor().against(true, b.now));
}

TEST_CASE("silence: at the age nothing, beyond it an objection; what never spoke is silent") {
    Bench b;
    CHECK(b.ask() == forward);
    b.fair();
    const Time begun = b.now - 1ms;
    b.now = begun + 100ms;
    CHECK_FALSE(b.ask());
    b.now += 1ns;
    CHECK(b.ask() == forward);
    Bench optional;
    optional.sensors[0].age = never;
    optional.sensors[1].age = never;
    CHECK_FALSE(optional.ask());
    CHECK(optional.monitor().bounds() == 2);
}

TEST_CASE("a stamp from the future counts as now") {
    Bench b;
    b.fair();
    b.now += 10ms;
    b.monitor().look(
        0, 2,
        [&](std::size_t slot) {
            return Raw{slot == 0 ? 1.7 : 28.0, b.now + 24h};
        },
        b.now);
    const Time looked = b.now;
    b.now = looked + 100ms;
    CHECK_FALSE(b.ask());
    b.now += 1ns;
    CHECK(b.ask() == forward);
}

TEST_CASE("another bus, and slots that a scan hasn't got, are no looks") {
    Bench b;
    b.fair();
    const auto high = [&](std::size_t) { return Raw{0.1, b.now}; };
    for (int i = 0; i < 20; ++i) {
        b.monitor().look(1, 3, high, b.now += 4ms);
        b.monitor().look(0, 0, high, b.now);
    }
    CHECK_FALSE(b.ask());
    b.now += 20ms;
    CHECK(b.ask() == forward);  // none of them was a reading either
}

TEST_CASE("without the supply its bound rests, and begins anew when the supply has settled") {
    Bench b;
    b.supply_time = 500ms;
    b.closed = false;
    b.supply_v = 32.0;
    b.fair(2s);
    b.closed = true;
    const Time closed = b.now + 10ms;
    CHECK(b.until(1) >= 0ms);
    // 500 ms, then the first look after it, then the patience.
    CHECK(b.now - closed == 500ms + 10ms + 130ms);
    b.closed = false;
    CHECK_FALSE(b.look());
    b.closed = true;
    b.fair(600ms);
}

TEST_CASE("a supply that comes and goes between two looks leaves nothing behind") {
    Bench b;
    b.fair();
    b.supply_v = 32.0;
    for (int i = 0; i < 5; ++i) CHECK_FALSE(b.look());
    b.closed = false;
    CHECK_FALSE(b.ask());
    b.closed = true;
    CHECK_FALSE(b.ask());
    CHECK(b.until(1) == 130ms);
}

TEST_CASE("silence of what the supply feeds counts only with the supply") {
    Bench b;
    b.sensors[1].while_supplied = true;
    b.fair();
    b.closed = false;
    b.supply_v = 0.0;
    b.fair(2s);
    b.closed = true;
    CHECK(b.look() == supply);
}

TEST_CASE("a gated bound holds while its gate's raw number lies beyond, and counts looks of its own sensor") {
    Bench b;
    b.bounds[1].while_supplied = false;
    b.bounds[1].gate = 0;
    b.bounds[1].open = {.above = false, .level = 1.0};
    b.supply_v = 32.0;
    b.forward_v = 1.0;
    b.fair();  // on the gate's level: closed
    b.forward_v = 0.99;
    CHECK(b.until(1) == 130ms);
    b.forward_v = 1.01;
    CHECK_FALSE(b.look());
    // The gate opens while its own sensor gives nothing: nothing has been seen beyond.
    b.supply_v = no_number;
    b.forward_v = 0.9;
    for (int i = 0; i < 5; ++i) CHECK_FALSE(b.look());
    b.supply_v = 32.0;
    CHECK(b.until(1) == 130ms);
    // The gate's sensor alone closes it.
    b.forward_v = 1.5;
    b.supply_v = no_number;
    b.look();
    b.forward_v = 0.9;
    CHECK_FALSE(b.look());
    Bench unseen;  // a gate that was never read is none
    unseen.bounds[1] = b.bounds[1];
    unseen.sensors[0].age = never;
    unseen.forward_v = no_number;
    unseen.supply_v = 32.0;
    unseen.fair();
}
