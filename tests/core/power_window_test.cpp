#include "measure/power_window.hpp"

#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <cstdint>
#include <numbers>
#include <random>
#include <vector>

#include "timeline.hpp"

using namespace timeline;

namespace {

Reading power(double watts, Instant at) {
    return {.value = watts, .low = watts, .high = watts, .health = Health::good, .fault = Fault::none, .taken = at};
}

}  // namespace

TEST_CASE("power window: a carrier's mean and peak are its power") {
    const RfPlan rf = plan().rf;
    PowerWindow window{rf};
    for (int i = 0; i < 500; ++i) {
        window.add(power(100.0, Instant{1000s + i * 20ms}), 100.0);
        CHECK(window.mean_w() == doctest::Approx(100.0));
        CHECK(window.peak_w() == 100.0);
    }
}

TEST_CASE("power window: the peak envelope power of two tones is twice their mean") {
    // Exact: |1 + exp(jx)|^2 has the mean 2 and the crest 4.
    const RfPlan rf = plan().rf;
    PowerWindow window{rf};
    for (int i = 0; i < 20000; ++i) {
        const double w = 25.0 * (2.0 + 2.0 * std::cos(2.0 * std::numbers::pi * 0.0137 * i));
        window.add(power(w, Instant{1000s + i * 1ms}), w);
    }
    CHECK(window.peak_w() == doctest::Approx(100.0).epsilon(0.001));
    CHECK(window.mean_w() == doctest::Approx(50.0).epsilon(0.02));
}

TEST_CASE("power window: a peak is forgotten after the window and an eighth, and not before the window") {
    const RfPlan rf = plan().rf;
    PowerWindow window{rf};
    Instant at{1000s};
    window.add(power(100.0, at), 100.0);
    for (int i = 1; i <= 50; ++i) window.add(power(10.0, at + i * 20ms), 10.0);  // one second
    CHECK(window.peak_w() == 100.0);
    for (int i = 51; i <= 57; ++i) window.add(power(10.0, at + i * 20ms), 10.0);
    CHECK(window.peak_w() == 10.0);
    window.add(power(3.0, at + 1h), 3.0);  // after a silence
    CHECK(window.peak_w() == 3.0);
    CHECK(window.mean_w() == doctest::Approx(3.0));
}

TEST_CASE("power window: of a modulation that detectors don't follow the crest comes on top") {
    RfPlan rf = plan().rf;
    rf.emission.unseen_crest = 2.5;
    PowerWindow window{rf};
    window.add(power(40.0, Instant{1000s}), 40.0);
    CHECK(window.mean_w() == 40.0);
    CHECK(window.peak_w() == 100.0);
}

TEST_CASE("power window: mean and peak are those of its definition, for any powers at any moments") {
    struct Taken {
        double stands_for_s, mean_w, age_s;
        std::int64_t eighth;
        double value_w;
    };
    RfPlan rf = plan().rf;
    rf.emission.power_time = 800ms;
    PowerWindow window{rf};
    std::minstd_rand random{3};
    std::vector<Taken> all;
    Instant at{1000s}, newest{}, begun{};
    int silences = 0, edges = 0;
    for (int i = 0; i < 20000; ++i) {
        switch (random() % 30) {
            case 0: at += 0s; break;
            case 1: at -= 20ms; break;
            case 2: at += random() % 10 == 0 ? 800ms : 799ms; break;
            case 3: at += 100ms; break;  // from edge to edge of the eighths
            default: at += 20ms; break;
        }
        if (all.empty() || at - newest >= 800ms) {
            silences += !all.empty();
            all.clear();
            newest = begun = at;
        }
        const Duration passed = std::max(at - newest, Duration::zero());
        newest = std::max(newest, at);
        const double stands_for_s = passed > Duration::zero() ? seconds(passed) : 1e-6;
        for (Taken& t : all) t.age_s += stands_for_s;
        const double value_w = 1.0 + static_cast<double>(random() % 1000) / 10.0, mean_w = value_w * 0.7;
        const std::int64_t eighth = (newest - begun) / 100ms;
        edges += (newest - begun) % 100ms == 0s;
        all.push_back({stands_for_s, mean_w, 0.0, eighth, value_w});
        window.add(power(value_w, at), mean_w);

        double sum = 0.0, weight = 0.0, peak = 0.0;
        for (const Taken& t : all) {
            sum += t.stands_for_s * std::exp(-t.age_s / 0.8) * t.mean_w;
            weight += t.stands_for_s * std::exp(-t.age_s / 0.8);
            if (t.eighth >= eighth - 8) peak = std::max(peak, t.value_w);
        }
        REQUIRE(window.mean_w() == doctest::Approx(sum / weight).epsilon(1e-9));
        REQUIRE(window.peak_w() == peak);
        std::erase_if(all, [&](const Taken& t) { return t.age_s > 40.0; });
    }
    CHECK(silences > 20);
    CHECK(edges > 100);
}

TEST_CASE("power window: without a reading the mean is none") {
    const RfPlan rf = plan().rf;
    const PowerWindow window{rf};
    CHECK(window.mean_w() == 0.0);
    CHECK(window.peak_w() == 0.0);
}

TEST_CASE("power window: shown with forward, and unknown with it") {
    Bench b;
    REQUIRE(b.start());
    b.key(60.0, 0.1);
    b.forward_again_w = 100.0;
    REQUIRE(b.run(5s, true));
    const auto reading = [&](Derived d) { return b.protection.snapshot().quantities[b.the_plan.index(d)]; };
    CHECK(reading(Derived::mean_forward).value == doctest::Approx(80.0).epsilon(0.01));
    CHECK(reading(Derived::peak_forward).value == doctest::Approx(100.0).epsilon(0.001));
    // Its interval is that of a single reading of so much.
    const Reading single = b.protection.snapshot().quantities[forward];
    CHECK(single.low < 99.0);
    CHECK(reading(Derived::peak_forward).low == doctest::Approx(single.low).epsilon(1e-9));
    CHECK(reading(Derived::peak_forward).high == doctest::Approx(single.high).epsilon(1e-9));
    b.unkey();
    b.forward_again_w = -1.0;
    b.step();  // a pause: forward is on its floor, its window isn't
    CHECK(reading(Derived::peak_forward).health == Health::good);
    CHECK(reading(Derived::mean_forward).health == Health::good);
    // While any of the window's readings is above the floor, so is the mean.
    const double floor_w = b.protection.snapshot().quantities[forward].value;
    bool near = false;
    for (int i = 0; i < 1000; ++i) {
        b.step();
        const Reading mean = reading(Derived::mean_forward);
        if (mean.value > floor_w * (1.0 + 1e-5)) REQUIRE(mean.health == Health::good);
        near = near || (mean.health == Health::good && mean.value < 1.5 * floor_w);
    }
    CHECK(near);
    CHECK(reading(Derived::peak_forward).health == Health::at_floor);
    CHECK(reading(Derived::peak_forward).low == 0.0);
    // The mean of readings that are all on the floor is there, too, whatever rounding makes of it.
    b.run(40s, true);
    for (int i = 0; i < 1000; ++i) {
        b.step();
        REQUIRE(reading(Derived::mean_forward).health == Health::at_floor);
    }
    b.faults[forward] = Fault::io_error;
    b.run(200ms, false);
    CHECK(reading(Derived::mean_forward).health == Health::unknown);
    CHECK(reading(Derived::peak_forward).health == Health::unknown);
}

TEST_CASE("power window: none of before a sleep") {
    Bench b;
    const auto peak = [&] { return b.protection.snapshot().quantities[b.the_plan.index(Derived::peak_forward)]; };
    b.key(100.0, 0.1);
    b.run(200ms, false);
    CHECK(peak().value == doctest::Approx(100.0).epsilon(0.001));
    b.key(10.0, 0.1);
    b.run(200ms, false);
    CHECK(peak().value == doctest::Approx(100.0).epsilon(0.001));
    b.slept = 1h;
    b.run(200ms, false);
    CHECK(peak().value == doctest::Approx(10.0).epsilon(0.001));
}
