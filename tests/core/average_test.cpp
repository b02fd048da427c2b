// Ratios averaged over scans, for an envelope that moves. What real envelopes do to them: tests/emissions.
#include "measure/average.hpp"

#include <doctest/doctest.h>

#include <array>
#include <cmath>
#include <random>

#include "timeline.hpp"

using namespace timeline;

namespace {

Plan voice_plan() {
    Plan p = plan();
    p.rf.emission.ratio_time = 2s;
    return p;
}

const Reading& vswr(const Bench& b) {
    return b.protection.snapshot().quantities[b.the_plan.index(Derived::vswr)];
}

// Each reading is of a power of its own, 8 to 64 W.
class Speech {
public:
    void scan(Bench& b, double gamma) {
        b.forward_w = next();
        b.reflected_w = gamma * gamma * next();
        b.forward_again_w = next();
        b.drive_w = b.forward_w / 60.0;
    }

private:
    double next() { return std::exp2(3.0 + 3.0 * static_cast<double>(random_()) / std::minstd_rand::max()); }
    std::minstd_rand random_{7};
};

/// Until the permit ends.
Duration speak_until_trip(Bench& b, double gamma, Duration most) {
    const Instant begin = b.now;
    Speech speech;
    while (b.now - begin <= most) {
        speech.scan(b, gamma);
        const Instant at = b.now;
        if (!b.step()) return at - begin;
    }
    return -1s;
}

}  // namespace

TEST_CASE("average: a moving envelope is no fault, and a steady one is where nothing is said") {
    Bench averaged{voice_plan()};
    REQUIRE(averaged.start());
    CHECK(speak_until_trip(averaged, 0.13, 60s) == -1s);
    CHECK(vswr(averaged).health == Health::good);
    CHECK(vswr(averaged).value == doctest::Approx(1.3).epsilon(0.05));  // (1 + 0.13) / (1 - 0.13)
    Bench strict;
    REQUIRE(strict.start());
    CHECK(speak_until_trip(strict, 0.13, 60s) > 0s);
}

TEST_CASE("average: a bad load trips by the VSWR alone") {
    Bench b{voice_plan()};
    REQUIRE(b.start());
    REQUIRE(speak_until_trip(b, 0.13, 10s) == -1s);
    const Duration later = speak_until_trip(b, 1.5 / 3.5, 10s);
    CHECK(later > 100ms);
    CHECK(later < 4s);
    CHECK(b.last(EventKind::tripped)->source == vswr_high);
}

TEST_CASE("average: a bad load at the first word trips as soon as sixteen scans tell it") {
    Bench b{voice_plan()};
    REQUIRE(b.start());
    b.key(20.0, 0.5);
    const Duration later = b.until(false, 10s);
    CHECK(later >= 15 * 20ms);
    CHECK(later <= 18 * 20ms);
}

TEST_CASE("average: reflected that forward doesn't explain is unknown, and is borne for no longer than stated") {
    Bench b{voice_plan()};
    REQUIRE(b.start());
    int scan = 0;
    bool told_late = false;
    const Instant begin = b.now;
    do {
        b.key(100.0, 0.0);
        b.reflected_w = scan++ % 25 == 0 ? 11.0 : 0.01;
        if (b.now > begin + 100ms && b.now < begin + 1800ms) {
            told_late = told_late || vswr(b).health == Health::unknown;  // what was told last, as young as its readings
        }
    } while (b.step() && b.now - begin < 10s);
    CHECK_FALSE(told_late);
    CHECK(b.now - begin >= 1800ms);
    CHECK(b.now - begin <= 2060ms);
    CHECK(vswr(b).health == Health::unknown);
    CHECK(b.protection.snapshot().quantities[b.the_plan.index(Derived::peak_forward)].health == Health::good);
}

TEST_CASE("average: a reflected detector that is lost is unknown at its age under a moving envelope") {
    Plan p = voice_plan();
    p.limits[reflected_high].trips = false;  // nothing else speaks for it
    p.channels[reflected].required = false;
    Bench b{p};
    REQUIRE(b.start());
    REQUIRE(speak_until_trip(b, 0.13, 10s) == -1s);
    b.faults[reflected] = Fault::io_error;
    const Duration later = speak_until_trip(b, 0.13, 2s);
    CHECK(later >= 80ms);
    CHECK(later <= 140ms);
}

TEST_CASE("average: a pause as long as the averaging time begins anew") {
    Bench b{voice_plan()};
    REQUIRE(b.start());
    REQUIRE(speak_until_trip(b, 0.13, 5s) == -1s);
    b.unkey();
    b.forward_again_w = -1.0;
    REQUIRE(b.run(1900ms, true));
    CHECK(vswr(b).health == Health::good);  // between two words
    REQUIRE(b.run(200ms, true));
    CHECK(vswr(b).health == Health::not_measurable);
    b.key(20.0, 0.5);  // what was good before counts for nothing
    CHECK(b.until(false, 10s) <= 18 * 20ms);
}

TEST_CASE("average: the limits on powers act at once") {
    Bench b{voice_plan()};
    REQUIRE(b.start());
    REQUIRE(speak_until_trip(b, 0.13, 5s) == -1s);
    b.reflected_w = 12.0;
    b.forward_w = b.forward_again_w = 100.0;
    CHECK(b.until(false, 1s) <= 20ms);
    CHECK(b.last(EventKind::tripped)->source == reflected_high);
}

TEST_CASE("average: a steady carrier reads as it does without an average, interval and all") {
    Bench averaged{voice_plan()}, plain;
    for (Bench* b : {&averaged, &plain}) {
        REQUIRE(b->start());
        b->key(60.0, 0.2);
        REQUIRE(b->run(3s, true));
    }
    for (const Derived d :
         {Derived::vswr, Derived::reflection, Derived::return_loss, Derived::net_power, Derived::gain}) {
        const QuantityIndex index = plain.the_plan.index(d);
        const Reading& with = averaged.protection.snapshot().quantities[index];
        const Reading& without = plain.protection.snapshot().quantities[index];
        CAPTURE(describe(plain.the_plan, index).id);
        REQUIRE(without.health == Health::good);
        CHECK(without.low < without.value);
        CHECK(with.health == Health::good);
        CHECK(with.value == doctest::Approx(without.value).epsilon(1e-6));
        CHECK(with.low == doctest::Approx(without.low).epsilon(1e-6));
        CHECK(with.high == doctest::Approx(without.high).epsilon(1e-6));
    }
}

TEST_CASE("average: a drive that was lost for a second counts for nothing while it was") {
    Plan p = voice_plan();
    p.channels[drive].required = false;
    Bench b{p};
    REQUIRE(b.start());
    b.key(60.0, 0.1);
    REQUIRE(b.run(3s, true));
    const auto gain = [&] { return b.protection.snapshot().quantities[b.the_plan.index(Derived::gain)]; };
    const double before = gain().value;  // 60 times: 17.8 dB
    CHECK(before == doctest::Approx(17.78).epsilon(0.001));
    b.faults[drive] = Fault::io_error;
    b.run(1s, true);
    CHECK(gain().health == Health::unknown);
    b.faults[drive] = Fault::none;
    b.step();
    CHECK(gain().value == doctest::Approx(before).epsilon(1e-6));
}

TEST_CASE("average: without a drive sensor there is a ratio all the same") {
    Plan p = voice_plan();
    p.roles.drive.reset();
    p.limits.erase(p.limits.begin() + overdrive);
    Bench b{p};
    REQUIRE(b.start());
    b.key(60.0, 0.13);
    CHECK(b.run(3s, true));
    CHECK(vswr(b).value == doctest::Approx(1.3).epsilon(0.01));
}

TEST_CASE("average: until sixteen scans tell it the match is not measurable, and all else is as it was") {
    Bench b{voice_plan()};
    REQUIRE(b.start());
    b.key(60.0, 0.13);
    for (int scan = 0; scan < 15; ++scan) {
        b.step();
        CHECK(vswr(b).health == Health::not_measurable);
        CHECK(b.protection.snapshot().quantities[b.the_plan.index(Derived::mean_forward)].health == Health::good);
    }
    for (int scan = 0; scan < 4 && vswr(b).health != Health::good; ++scan) b.step();
    CHECK(vswr(b).health == Health::good);
    const double before = vswr(b).value;
    // Reflected jumps, below its own trip: the ratio scatters too much to be told, and what was told stands.
    b.reflected_w = 11.0;
    b.step();
    CHECK(vswr(b).health == Health::good);
    CHECK(vswr(b).value == before);
    CHECK(vswr(b).taken == b.now - 21ms);
}

TEST_CASE("average: after the machine slept nothing of before counts") {
    Bench b{voice_plan()};
    REQUIRE(b.start());
    REQUIRE(speak_until_trip(b, 0.13, 5s) == -1s);
    b.slept = 1h;
    b.step();
    CHECK(vswr(b).health != Health::good);
    for (int scan = 0; scan < 12; ++scan) {
        b.key(20.0, 0.13);
        b.step();
        CHECK(vswr(b).health != Health::good);
    }
}

TEST_CASE("average: its state goes on to the same bits") {
    Bench b{voice_plan()};
    REQUIRE(b.start());
    REQUIRE(speak_until_trip(b, 0.13, 3s) == -1s);
    Bench other{voice_plan()};
    REQUIRE(other.protection.take_state(b.protection.state()));
    CHECK(other.protection.state() == b.protection.state());
    other.now = b.now;
    for (Bench* bench : {&b, &other}) speak_until_trip(*bench, 0.3, 2s);
    CHECK(other.protection.state() == b.protection.state());
}

TEST_CASE("average: a load that reflects less than the detector's floor is good") {
    Bench b{voice_plan()};
    REQUIRE(b.start());
    CHECK(speak_until_trip(b, 0.0, 20s) == -1s);
    CHECK(vswr(b).health == Health::at_floor);
    CHECK(vswr(b).low == 1.0);
}

TEST_CASE("average: damaged readings are no ratio") {
    RfPlan rf = voice_plan().rf;
    BracketAverage average{rf};
    const auto power = [](double w, Instant at) {
        return Reading{.value = w, .low = w, .high = w, .health = Health::good, .fault = Fault::none, .taken = at};
    };
    Instant at{1000s};
    for (int i = 0; i < 200; ++i, at += 20ms)
        CHECK(average.take({power(20.0, at), power(std::nan(""), at), power(20.0, at)}, nullptr) !=
              BracketAverage::Told::ratio);
    CHECK(average.take({power(20.0, at), power(1.0, at), power(20.0, at)}, nullptr) == BracketAverage::Told::never);
}
