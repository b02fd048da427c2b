#include "measure/derived.hpp"

#include <doctest/doctest.h>

#include <cmath>

using namespace dekeyd::core;
using namespace std::chrono_literals;

namespace {
Reading good(double value) {
    return {.value = value,
            .low = value,
            .high = value,
            .health = Health::good,
            .fault = Fault::none,
            .taken = Instant{1s}};
}
Reading floor_of(double value) {
    return {.value = value,
            .low = 0.0,
            .high = value,
            .health = Health::at_floor,
            .fault = Fault::none,
            .taken = Instant{1s}};
}
const Reading missing{.fault = Fault::io_error};

RfPlan rf() {
    RfPlan p;
    p.minimum_forward_w = 6.0;
    p.drive_absent_w = 0.05;
    p.small_signal_gain_db = 18.0;
    return p;
}
}  // namespace

TEST_CASE("a bracket is measurable only with steady RF on both sides of the reflected reading") {
    const RfPlan p = rf();
    const Reading r = good(4.0);
    CHECK(bracket_state(p, {good(100.0), r, good(100.0)}) == BracketState::measurable);
    CHECK(bracket_state(p, {good(100.0), r, good(50.0)}) == BracketState::measurable);
    CHECK(bracket_state(p, {good(100.0), r, good(49.9)}) == BracketState::edge);
    CHECK(bracket_state(p, {good(0.1), r, good(100.0)}) == BracketState::edge);
    CHECK(bracket_state(p, {good(100.0), r, floor_of(0.001)}) == BracketState::edge);
    CHECK(bracket_state(p, {good(5.9), r, good(5.9)}) == BracketState::not_measurable);
    CHECK(bracket_state(p, {good(5.9), r, good(6.0)}) == BracketState::measurable);  // hovering at the minimum
    CHECK(bracket_state(p, {floor_of(0.001), floor_of(0.001), floor_of(0.001)}) == BracketState::not_measurable);
    CHECK(bracket_state(p, {missing, r, good(100.0)}) == BracketState::edge);
    CHECK(bracket_state(p, {good(100.0), missing, good(100.0)}) == BracketState::edge);
    CHECK(bracket_state(p, {good(100.0), r, missing}) == BracketState::edge);
}

TEST_CASE("reflections: 100 W forward and 4 W back") {
    RfPlan p = rf();
    p.feeder_loss_db = 1.0;
    p.directivity_db = 30.0;
    const Bracket b{good(100.0), good(4.0), good(100.0)};
    const Reflections r{LineFactors{p}, b, BracketState::measurable, 1.0};
    CHECK(r.reflection().value == doctest::Approx(0.2));
    CHECK(r.vswr().value == doctest::Approx(1.5));  // reflection table: 4.000 % is VSWR 1.50
    CHECK(r.return_loss().value == doctest::Approx(13.98).epsilon(0.001));
    CHECK(r.mismatch_loss().value == doctest::Approx(0.1773).epsilon(0.001));
    CHECK(r.net_power().value == doctest::Approx(96.0));
    CHECK(r.vswr().low < 1.5);
    CHECK(r.vswr().high > 1.5);
    // Return loss at the antenna is that at the coupler less twice the feeder's: 13.98 - 2 = 11.98 dB.
    CHECK(r.antenna_vswr().value == doctest::Approx(1.673).epsilon(0.001));
    CHECK(r.antenna_power().value == doctest::Approx(100.0 * 0.79433 * (1.0 - 0.2517 * 0.2517)).epsilon(0.001));
}

TEST_CASE("reflected on its floor gives an upper bound, beyond its ceiling a lower one") {
    const RfPlan p = rf();
    const Reflections low{LineFactors{p}, {good(100.0), floor_of(0.01), good(100.0)}, BracketState::measurable, 1.0};
    CHECK(low.vswr().health == Health::at_floor);
    CHECK(low.vswr().low == 1.0);
    CHECK(low.vswr().value == doctest::Approx(1.0202).epsilon(0.001));
    Reading beyond = good(50.0);
    beyond.health = Health::above_range;
    const Reflections high{LineFactors{p}, {good(100.0), beyond, good(100.0)}, BracketState::measurable, 1.0};
    CHECK(high.vswr().health == Health::above_range);
    CHECK(high.vswr().high == unbounded);
}

TEST_CASE("without RF nothing is measurable, and nothing is a number") {
    const Reflections r{LineFactors{rf()}, {good(0.1), good(0.1), good(0.1)}, BracketState::not_measurable, 1.0};
    for (const Reading& reading : {r.vswr(), r.reflection(), r.return_loss(), r.mismatch_loss(), r.net_power(),
                                   r.antenna_vswr(), r.antenna_power()}) {
        CHECK(reading.health == Health::not_measurable);
        CHECK(reading.fault == Fault::none);
    }
}

TEST_CASE("gain and compression") {
    const RfPlan p = rf();
    CHECK(gain(p, good(100.0), good(2.0)).value == doctest::Approx(16.99).epsilon(0.001));
    CHECK(compression(p, gain(p, good(100.0), good(2.0)), nullptr).value == doctest::Approx(1.01).epsilon(0.01));
    CHECK(gain(p, good(1.0), good(2.0)).health == Health::not_measurable);
    CHECK(gain(p, good(100.0), good(0.01)).health == Health::not_measurable);
    CHECK(gain(p, missing, good(2.0)).health == Health::unknown);
    CHECK(gain(p, missing, good(2.0)).fault == Fault::io_error);
    CHECK(gain_of(good(100.0), missing).fault == Fault::io_error);
    CHECK(gain_of(missing, good(2.0)).fault == Fault::io_error);
    Reading older = good(0.001);  // not driven
    older.taken = good(100.0).taken - 30ms;
    CHECK(gain(p, good(100.0), older).health == Health::not_measurable);
    CHECK(gain(p, good(100.0), older).taken == older.taken);
    RfPlan none = p;
    none.small_signal_gain_db.reset();
    CHECK(compression(none, gain(p, good(100.0), good(2.0)), nullptr).health == Health::not_measurable);
}

TEST_CASE("the compression of a gain that drifts is unknown while the heatsink's temperature is") {
    RfPlan p = rf();
    p.small_signal_gain_db = 18.0;
    const Reading lost{.fault = Fault::absent};
    CHECK(compression(p, gain(p, good(100.0), good(2.0)), &lost).measured());
    p.gain_db_per_k = -0.02;
    const Reading hot = good(75.0);
    CHECK(compression(p, gain(p, good(100.0), good(2.0)), &hot).measured());
    CHECK(compression(p, gain(p, good(100.0), good(2.0)), &lost).health == Health::unknown);
    CHECK(compression(p, gain(p, good(100.0), good(2.0)), &lost).fault == Fault::absent);
}

TEST_CASE("DC power, efficiency, heat") {
    const RfPlan p = rf();
    // A module that takes 18 A at 28 V for 250 W is 49.6 % efficient (common practice figures).
    const Reading dc = dc_power(good(28.0), good(18.0));
    CHECK(dc.value == doctest::Approx(504.0));
    CHECK(efficiency(p, good(250.0), nullptr, dc).value == doctest::Approx(49.6).epsilon(0.001));
    CHECK(heat(p, dc, good(250.0), nullptr, nullptr).value == doctest::Approx(254.0));
    CHECK(heat(p, dc, floor_of(0.001), nullptr, nullptr).value == doctest::Approx(504.0));
    const Reading unseen = floor_of(3.0);  // nothing to 3 W come back
    CHECK(heat(p, dc, good(250.0), nullptr, &unseen).value == doctest::Approx(254.0));
    CHECK(heat(p, dc, good(250.0), nullptr, &unseen).low == doctest::Approx(254.0));
    CHECK(heat(p, dc, good(250.0), nullptr, &unseen).high == doctest::Approx(257.0));
    CHECK(heat(p, good(10.0), good(20.0), nullptr, nullptr).value == 0.0);
    CHECK(efficiency(p, good(1.0), nullptr, dc).health == Health::not_measurable);
    CHECK(efficiency(p, good(100.0), nullptr, good(0.0)).health == Health::not_measurable);
    CHECK(dc_power(missing, good(18.0)).health == Health::unknown);
    CHECK(efficiency(p, missing, nullptr, dc).health == Health::unknown);
    CHECK(heat(p, missing, good(1.0), nullptr, nullptr).health == Health::unknown);
}

TEST_CASE("what is worked out of two readings, of which one is lost, says why, and is as old as the older one") {
    const RfPlan p = rf();
    Reading older = missing;
    older.taken = Instant{500ms};
    for (const bool swapped : {false, true}) {
        const Reading lost = swapped ? dc_power(good(28.0), older) : dc_power(older, good(18.0));
        CHECK(lost.health == Health::unknown);
        CHECK(lost.fault == Fault::io_error);
        CHECK(lost.taken == Instant{500ms});
    }
    const Reading silent{.health = Health::not_measurable, .fault = Fault::none, .taken = Instant{1s}};
    CHECK(dc_power(silent, good(18.0)).fault == Fault::implausible);
    CHECK(gain(p, good(100.0), missing).fault == Fault::io_error);
    CHECK(efficiency(p, good(100.0), nullptr, missing).fault == Fault::io_error);
    CHECK(heat(p, missing, good(100.0), nullptr, nullptr).fault == Fault::io_error);
    Reading early = good(2.0);
    early.taken = Instant{700ms};
    CHECK(gain(p, good(100.0), early).taken == Instant{700ms});
    CHECK(dc_power(good(28.0), early).taken == Instant{700ms});
    CHECK(efficiency(p, good(100.0), nullptr, early).taken == Instant{700ms});
    CHECK(heat(p, early, good(1.0), nullptr, nullptr).taken == Instant{700ms});
}

TEST_CASE("RF and drive at the levels from which gain, compression and efficiency can be told") {
    const RfPlan p = rf();
    CHECK(gain(p, good(6.0), good(0.05)).health == Health::good);
    CHECK(gain(p, good(5.999), good(0.05)).health == Health::not_measurable);
    CHECK(gain(p, good(6.0), good(0.0499)).health == Health::not_measurable);
    CHECK(gain(p, good(6.0), floor_of(0.06)).health == Health::not_measurable);
    CHECK(efficiency(p, good(6.0), nullptr, good(20.0)).value == doctest::Approx(30.0));
    CHECK(efficiency(p, good(5.999), nullptr, good(20.0)).health == Health::not_measurable);
    CHECK(efficiency(p, floor_of(7.0), nullptr, good(20.0)).health == Health::not_measurable);
    RfPlan none = p;
    none.minimum_forward_w = 0.0;  // nothing is no RF all the same
    CHECK(efficiency(none, good(0.0), nullptr, good(20.0)).health == Health::not_measurable);
}

TEST_CASE("the drive's own power is neither made of the supply nor heat; below its floor it may be none") {
    const RfPlan p = rf();
    // Power added: (100 W - 4 W) of 200 W.
    const Reading drive = good(4.0);
    CHECK(efficiency(p, good(100.0), &drive, good(200.0)).value == doctest::Approx(48.0));
    CHECK(heat(p, good(200.0), good(100.0), &drive, nullptr).value == doctest::Approx(104.0));
    const Reading floor = floor_of(4.0);
    const Reading e = efficiency(p, good(100.0), &floor, good(200.0));
    CHECK(e.value == doctest::Approx(50.0));
    CHECK(e.low == doctest::Approx(48.0));
    CHECK(efficiency(p, good(100.0), &missing, good(200.0)).value == doctest::Approx(50.0));
}

TEST_CASE("what comes back heats the amplifier, but where a circulator's load takes it") {
    RfPlan p = rf();
    const Reading reflected = good(10.0);
    CHECK(heat(p, good(200.0), good(100.0), nullptr, &reflected).value == doctest::Approx(110.0));
    p.circulator_load_time = 10s;
    CHECK(heat(p, good(200.0), good(100.0), nullptr, &reflected).value == doctest::Approx(100.0));
}

TEST_CASE("reflected at or above forward, at its edges") {
    RfPlan p = rf();
    p.rf_present_w = 1.0;
    const auto judged = [&](const Reading& before, const Reading& r, const Reading& after) {
        return reflected_exceeds(p, {before, r, after});
    };
    CHECK(judged(good(2.0), good(2.0), good(1.0)) == Verdict::outside);
    CHECK(judged(good(2.0), good(1.999), good(1.0)) == Verdict::clear);
    CHECK(judged(good(1.0), good(1.999), good(2.0)) == Verdict::clear);
    CHECK(judged(good(0.0), good(1.0), good(0.0)) == Verdict::outside);
    CHECK(judged(good(0.0), good(0.999), good(0.0)) == Verdict::rest);
    CHECK(judged(good(0.0), missing, good(0.0)) == Verdict::missed);
    CHECK(judged(missing, good(2.0), good(1.0)) == Verdict::missed);
    CHECK(judged(good(1.0), good(2.0), missing) == Verdict::missed);
    p.reflected_present_w = 0.25;
    CHECK(judged(good(0.0), good(0.25), good(0.0)) == Verdict::outside);
    CHECK(judged(good(0.0), good(0.249), good(0.0)) == Verdict::rest);
}

TEST_CASE("a bracket whose reflected reading is beyond its range was seen; forward must be a number on both sides") {
    const RfPlan p = rf();
    Reading beyond = good(50.0);
    beyond.health = Health::above_range;
    CHECK(bracket_state(p, {good(100.0), beyond, good(100.0)}) == BracketState::measurable);
    CHECK(bracket_state(p, {good(100.0), floor_of(0.1), good(100.0)}) == BracketState::measurable);
    CHECK(bracket_state(p, {beyond, good(1.0), good(100.0)}) == BracketState::edge);
    CHECK(bracket_state(p, {good(100.0), good(1.0), beyond}) == BracketState::edge);
    CHECK(bracket_state(p, {floor_of(60.0), good(1.0), good(100.0)}) == BracketState::edge);
    CHECK(bracket_state(p, {good(100.0), good(1.0), floor_of(60.0)}) == BracketState::edge);
    CHECK(bracket_state(p, {good(6.0), good(1.0), good(5.9)}) == BracketState::measurable);
}

TEST_CASE("a mismatch's powers have the ends that their parts have") {
    RfPlan p = rf();
    p.directivity_db = 30.0;
    p.feeder_loss_db = 3.0;
    Bracket b{good(100.0), good(4.0), good(60.0)};
    b.forward_before.low = 90.0;
    b.forward_before.high = 110.0;
    b.forward_after.low = 55.0;
    b.forward_after.high = 65.0;
    b.forward_before.taken = Instant{1s};
    b.forward_after.taken = Instant{1010ms};
    const Reflections r{LineFactors{p}, b, BracketState::measurable, 1.0};
    CHECK(r.net_power().taken == Instant{1s});
    CHECK(r.net_power().value == doctest::Approx(80.0 * (1.0 - 4.0 / 80.0)));
    CHECK(r.net_power().low == doctest::Approx(55.0 * (1.0 - r.reflection().high * r.reflection().high)));
    CHECK(r.net_power().high == doctest::Approx(110.0 * (1.0 - r.reflection().low * r.reflection().low)));
    // 3 dB once for the power, twice for the reflection.
    const double there = std::pow(10.0, 0.3);
    CHECK(r.antenna_power().high == doctest::Approx(110.0 / there * (1.0 - std::pow(r.reflection().low * there, 2.0))));
    CHECK(r.return_loss().low < r.return_loss().value);
    CHECK(r.return_loss().high > r.return_loss().value);
    // Where the feeder would make more of it than there can be, all of it comes back.
    p.feeder_loss_db = 20.0;
    const Reflections all{LineFactors{p}, b, BracketState::measurable, 1.0};
    CHECK(all.antenna_vswr().value == unbounded);
    CHECK(all.antenna_power().value == 0.0);
}

TEST_CASE("the least power that counts may be none; a bracket that isn't known on both sides is an edge at any power") {
    RfPlan p = rf();
    p.minimum_forward_w = 0.0;
    CHECK(efficiency(p, good(0.5), nullptr, good(1.0)).value == doctest::Approx(50.0));
    CHECK(bracket_state(p, {good(0.4), good(0.1), good(0.5)}) == BracketState::measurable);
    CHECK(bracket_state(p, {good(0.0), good(0.1), good(0.5)}) == BracketState::edge);
    CHECK(bracket_state(rf(), {missing, good(1.0), good(1.0)}) == BracketState::edge);
    CHECK(bracket_state(rf(), {good(1.0), good(1.0), missing}) == BracketState::edge);
}

TEST_CASE("a reflection's ends: both of a reading, none below a floor, all beyond the ceiling") {
    RfPlan p = rf();
    p.directivity_db = 40.0;
    p.feeder_loss_db = 1.0;
    const auto seen = [&](Health health) {
        Reading reflected = good(4.0);
        reflected.health = health;
        return Reflections{LineFactors{p}, {good(100.0), reflected, good(100.0)}, BracketState::measurable, 1.0};
    };
    const Reflections r = seen(Health::good);
    CHECK(r.reflection().low > 0.18);
    CHECK(r.reflection().high < 0.22);
    const double loss = std::pow(10.0, 0.1);
    CHECK(r.antenna_power().low == doctest::Approx(100.0 / loss * (1.0 - std::pow(r.reflection().high * loss, 2.0))));
    CHECK(seen(Health::at_floor).reflection().low == 0.0);
    CHECK(seen(Health::at_floor).reflection().high < 0.22);
    CHECK(seen(Health::above_range).reflection().high == 1.0);
    CHECK(seen(Health::above_range).reflection().low > 0.18);
    // The drive's floor adds between nothing and all of it.
    const Reading floor = floor_of(4.0);
    const Reading added = heat(p, good(200.0), good(100.0), &floor, nullptr);
    CHECK(added.value == doctest::Approx(100.0));
    CHECK(added.low == doctest::Approx(100.0));
    CHECK(added.high == doctest::Approx(104.0));
}
