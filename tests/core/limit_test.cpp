#include "core/limit.hpp"

#include <doctest/doctest.h>

#include <array>
#include <limits>
#include <vector>

using namespace dekeyd::core;
using namespace std::chrono_literals;

namespace {

LimitPlan above(double trip, double clear) {
    LimitPlan l;
    l.trip = trip;
    l.clear = clear;
    return l;
}

Reading good(double value) {
    return {.value = value, .low = value, .high = value, .health = Health::good, .fault = Fault::none};
}

Reading with(Health health, double value) {
    return {.value = value, .low = 0.0, .high = value, .health = health};
}

Verdict seen(const LimitPlan& l, const Reading& r, bool rf_absent = false) {
    return verdict_of(l, r, nullptr, rf_absent);
}

struct Look {
    Duration at;
    Verdict verdict;
    Condition expected;
};

void play(Duration qualify, const std::vector<Look>& looks) {
    QualifyTimer timer{qualify};
    for (const Look& look : looks) {
        CAPTURE(look.at.count());
        CHECK(timer.update(Instant{look.at}, look.verdict) == look.expected);
    }
}

constexpr double no_number = std::numeric_limits<double>::quiet_NaN();
constexpr double inf = std::numeric_limits<double>::infinity();

}  // namespace

TEST_CASE("above: the trip level itself trips, the clear level itself does not clear") {
    const LimitPlan l = above(70.0, 55.0);
    CHECK(seen(l, good(54.999)) == Verdict::clear);
    CHECK(seen(l, good(55.0)) == Verdict::band);
    CHECK(seen(l, good(69.999)) == Verdict::band);
    CHECK(seen(l, good(70.0)) == Verdict::outside);
    CHECK(seen(l, good(1.0e9)) == Verdict::outside);
}

TEST_CASE("below: mirrored") {
    LimitPlan l = above(24.0, 26.0);
    l.direction = Direction::below;
    CHECK(seen(l, good(26.001)) == Verdict::clear);
    CHECK(seen(l, good(26.0)) == Verdict::band);
    CHECK(seen(l, good(24.001)) == Verdict::band);
    CHECK(seen(l, good(24.0)) == Verdict::outside);
    CHECK(seen(l, good(-1.0)) == Verdict::outside);
}

TEST_CASE("what is not a number is outside in both directions") {
    for (Direction direction : {Direction::above, Direction::below}) {
        LimitPlan l = above(10.0, direction == Direction::above ? 5.0 : 15.0);
        l.direction = direction;
        CHECK(seen(l, good(no_number)) == Verdict::outside);
    }
    CHECK(seen(above(10.0, 5.0), good(inf)) == Verdict::outside);
    CHECK(seen(above(no_number, no_number), good(1.0)) == Verdict::outside);  // a broken limit protects, too
}

TEST_CASE("every health has its verdict") {
    LimitPlan l = above(10.0, 5.0);
    CHECK(seen(l, with(Health::unknown, 0.0)) == Verdict::unknown);
    CHECK(seen(l, with(Health::at_floor, 1.0)) == Verdict::clear);
    CHECK(seen(l, with(Health::at_floor, 11.0)) == Verdict::outside);  // "at most 11" is not provably inside
    CHECK(seen(l, with(Health::above_range, 1.0)) == Verdict::outside);
    CHECK(seen(l, with(Health::not_measurable, 0.0), true) == Verdict::rest);
    CHECK(seen(l, with(Health::not_measurable, 0.0), false) == Verdict::unknown);
    l.direction = Direction::below;
    l.clear = 15.0;
    CHECK(seen(l, with(Health::at_floor, 1.0)) == Verdict::outside);
    CHECK(seen(l, with(Health::at_floor, 10.0)) == Verdict::outside);  // "at most 10" is at the trip level or beyond it
    CHECK(seen(l, with(Health::at_floor, 11.0)) == Verdict::unknown);
    CHECK(seen(l, with(Health::above_range, 100.0)) == Verdict::unknown);
}

TEST_CASE("a limit that clears by RF being off is clear only with RF proven absent") {
    LimitPlan l = above(10.0, 0.0);
    l.clear_by = ClearBy::rf_off;
    CHECK(seen(l, good(1.0), false) == Verdict::band);
    CHECK(seen(l, good(1.0), true) == Verdict::clear);
    CHECK(seen(l, good(10.0), true) == Verdict::outside);
}

TEST_CASE("the edge of the interval can be what trips") {
    LimitPlan l = above(2.0, 1.5);
    Reading r = good(1.8);
    r.low = 1.4;
    r.high = 2.3;
    CHECK(seen(l, r) == Verdict::band);
    l.edge = Edge::high;
    CHECK(seen(l, r) == Verdict::outside);
    l.edge = Edge::low;
    CHECK(seen(l, r) == Verdict::clear);
    r.high = unbounded;
    l.edge = Edge::high;
    CHECK(seen(l, r) == Verdict::outside);
}

TEST_CASE("a gate rests the limit only by a reading that proves it closed") {
    LimitPlan l = above(2.0, 1.5);
    l.gate = Gate{0, 5.0, Direction::above};
    const Reading tripping = good(3.0);
    const auto gated = [&](const Reading& gate) { return verdict_of(l, tripping, &gate, false); };
    CHECK(gated(good(4.999)) == Verdict::rest);
    CHECK(gated(good(5.0)) == Verdict::outside);
    CHECK(gated(with(Health::at_floor, 0.1)) == Verdict::rest);
    CHECK(gated(with(Health::at_floor, 5.0)) == Verdict::unknown);  // "at most 5" may be 5, at which the gate opens
    CHECK(gated(with(Health::at_floor, 6.0)) == Verdict::unknown);
    CHECK(gated(with(Health::above_range, 1.0)) == Verdict::outside);
    CHECK(gated(with(Health::unknown, 0.0)) == Verdict::unknown);
    CHECK(gated(with(Health::not_measurable, 0.0)) == Verdict::unknown);
    CHECK(gated(good(no_number)) == Verdict::outside);
    CHECK(verdict_of(l, tripping, nullptr, false) == Verdict::unknown);
    l.gate->open = Direction::below;
    CHECK(gated(good(5.001)) == Verdict::rest);
    CHECK(gated(good(5.0)) == Verdict::outside);
    CHECK(gated(with(Health::at_floor, 1.0)) == Verdict::outside);
    CHECK(gated(with(Health::above_range, 9.0)) == Verdict::unknown);
}

TEST_CASE("never evaluated is not passed") {
    QualifyTimer timer{1s};
    CHECK(timer.update(Instant{5s}, Verdict::missed) == Condition::unknown);
    CHECK(timer.due() == Instant::max());
}

TEST_CASE("no qualify time: the first look outside is bad") {
    play(0s, {{1s, Verdict::clear, Condition::clear},
              {2s, Verdict::outside, Condition::bad},
              {3s, Verdict::band, Condition::band},
              {4s, Verdict::outside, Condition::bad}});
}

TEST_CASE("qualify time counts time, also across missed looks") {
    play(100ms, {{0ms, Verdict::clear, Condition::clear},
                 {10ms, Verdict::outside, Condition::band},
                 {50ms, Verdict::missed, Condition::missed},
                 {109ms, Verdict::missed, Condition::missed},
                 {110ms, Verdict::missed, Condition::bad},
                 {120ms, Verdict::clear, Condition::clear}});
}

TEST_CASE("a missed look keeps what was seen") {
    play(100ms, {{0ms, Verdict::rest, Condition::clear},
                 {1ms, Verdict::missed, Condition::missed},
                 {2ms, Verdict::band, Condition::band},
                 {3ms, Verdict::missed, Condition::missed},
                 {4ms, Verdict::unknown, Condition::unknown},
                 {5ms, Verdict::missed, Condition::missed}});
}

TEST_CASE("time inside is paid back at a quarter of the rate") {
    play(100ms, {{0ms, Verdict::outside, Condition::band},
                 {80ms, Verdict::clear, Condition::clear},    // 80 ms stand
                 {240ms, Verdict::outside, Condition::band},  // 160/4 paid back: 40 ms stand
                 {299ms, Verdict::outside, Condition::band},  // 99 ms
                 {300ms, Verdict::outside, Condition::bad}});
}

TEST_CASE("unknown inhibits at once and its time counts as outside") {
    play(100ms, {{0ms, Verdict::outside, Condition::band},
                 {50ms, Verdict::unknown, Condition::unknown},
                 {100ms, Verdict::outside, Condition::bad}});
}

TEST_CASE("due: when time alone will make it bad") {
    QualifyTimer timer{100ms};
    timer.update(Instant{1s}, Verdict::clear);
    CHECK(timer.due() == Instant::max());
    timer.update(Instant{2s}, Verdict::outside);
    CHECK(timer.due() == Instant{2100ms});
    timer.update(Instant{2050ms}, Verdict::missed);
    CHECK(timer.due() == Instant{2100ms});
    timer.update(Instant{2100ms}, Verdict::missed);
    CHECK(timer.due() == Instant::max());
    CHECK(timer.outside_for() == 100ms);
}

TEST_CASE("time that runs backwards counts as standing still") {
    play(100ms, {{1s, Verdict::outside, Condition::band},
                 {500ms, Verdict::outside, Condition::band},
                 {1099ms, Verdict::outside, Condition::band},
                 {1100ms, Verdict::outside, Condition::bad}});
}

TEST_CASE("durations as long as time itself don't overflow") {
    QualifyTimer timer{Duration::max()};
    timer.update(Instant{0s}, Verdict::outside);
    CHECK(timer.update(Instant{Duration::max()}, Verdict::outside) == Condition::bad);
    timer.update(Instant{Duration::max()}, Verdict::outside);
}

TEST_CASE("every verdict and condition has its word") {
    for (int i = 0; i <= static_cast<int>(Verdict::missed); ++i) CHECK_FALSE(text(static_cast<Verdict>(i)).empty());
    for (int i = 0; i <= static_cast<int>(Condition::missed); ++i) CHECK_FALSE(text(static_cast<Condition>(i)).empty());
}

TEST_CASE("a fault that is gone just when its time runs out has run out: flapping in step with the looks trips") {
    play(100ms, {{0ms, Verdict::outside, Condition::band}, {100ms, Verdict::clear, Condition::bad}});
    play(100ms, {{0ms, Verdict::outside, Condition::band},
                 {99ms, Verdict::clear, Condition::clear},
                 {103ms, Verdict::outside, Condition::band},
                 {105ms, Verdict::clear, Condition::bad}});
}

TEST_CASE("whether a limit watches: commissioning, contactor and gate, the gate last") {
    LimitPlan l;
    const std::array open{Reading{.value = 9.0, .low = 9.0, .high = 9.0, .health = Health::good, .fault = Fault::none}};
    const std::array closed{
        Reading{.value = 5.9, .low = 5.9, .high = 5.9, .health = Health::good, .fault = Fault::none}};
    const std::array lost{Reading{}};
    CHECK(standing(l, {}) == Standing::watches);
    CHECK(standing(l, {.supplied = false}) == Standing::watches);
    l.gate = Gate{0, 6.0, Direction::above};
    CHECK(standing(l, {}) == Standing::untold);  // on paper
    CHECK(standing(l, {.quantities = lost}) == Standing::untold);
    CHECK(standing(l, {.quantities = open}) == Standing::watches);
    CHECK(standing(l, {.quantities = closed}) == Standing::gate_closed);
    CHECK(may_trip(l, {}));
    CHECK_FALSE(surely_trips(l, {}));
    CHECK(surely_trips(l, {.quantities = open}));
    CHECK_FALSE(may_trip(l, {.quantities = closed}));
    l.while_supplied = true;
    CHECK(standing(l, {.supplied = false, .quantities = open}) == Standing::unsupplied);
    CHECK(standing(l, {.quantities = open}) == Standing::watches);
    l.provisional = true;
    CHECK(standing(l, {.quantities = open}) == Standing::not_commissioning);
    CHECK(standing(l, {.commissioning = true, .quantities = open}) == Standing::watches);
    l.trips = false;  // it only warns, and stands all the same
    CHECK(standing(l, {.commissioning = true, .quantities = open}) == Standing::watches);
    CHECK_FALSE(may_trip(l, {.commissioning = true, .quantities = open}));
    for (int i = 0; i <= static_cast<int>(Standing::not_commissioning); ++i) {
        const auto one = static_cast<Standing>(i);
        const bool idle =
            one == Standing::gate_closed || one == Standing::unsupplied || one == Standing::not_commissioning;
        CHECK(rests(one) == idle);
        CHECK_FALSE(text(one).empty());
    }
}
