#include "maths/ambient_trend.hpp"

#include <doctest/doctest.h>

#include <cmath>

#include "plan/reading.hpp"

using namespace dekeyd::core;

namespace {

/// A sensor in steps of a sixteenth of a kelvin, read once a second, in air that changes by `k_per_h`.
void watch(AmbientTrend& trend, double from_c, double k_per_h, int seconds) {
    for (int i = 0; i < seconds; ++i) trend.update(1.0, std::floor((from_c + k_per_h * i / 3600.0) * 16.0) / 16.0);
}

}  // namespace

TEST_CASE("ambient trend: known after twenty minutes, not before, and right") {
    for (const double k_per_h : {2.0, -3.0}) {
        CAPTURE(k_per_h);
        AmbientTrend trend;
        watch(trend, 20.0, k_per_h, 1200);  // the first reading is at 0 s: 1199 s
        CHECK(!trend.k_per_h());
        watch(trend, 20.0 + k_per_h / 3.0, k_per_h, 61);
        REQUIRE(trend.k_per_h());
        CHECK(trend.k_per_h()->value == doctest::Approx(k_per_h).epsilon(0.05));
        CHECK(trend.k_per_h()->low < k_per_h);
        CHECK(trend.k_per_h()->high > k_per_h);
        CHECK(trend.k_per_h()->high - trend.k_per_h()->low < 2.0);
    }
}

TEST_CASE("ambient trend: steady air has none, and a step is none that is sure") {
    AmbientTrend trend;
    watch(trend, 20.0, 0.0, 3600);
    REQUIRE(trend.k_per_h());
    CHECK(std::abs(trend.k_per_h()->value) < 0.01);
    CHECK(sure_warming(trend.k_per_h()).value == 0.0);
    watch(trend, 26.0, 0.0, 120);  // the sun through a door
    REQUIRE(trend.k_per_h());
    CHECK(sure_warming(trend.k_per_h()).value == 0.0);
    watch(trend, 26.0, 0.0, 4 * 3600);  // forgotten
    CHECK(std::abs(trend.k_per_h()->value) < 0.1);
}

TEST_CASE("ambient trend: ten minutes without a reading are a gap, more begin it anew") {
    for (const int silent_s : {600, 601}) {
        CAPTURE(silent_s);
        AmbientTrend trend;
        watch(trend, 20.0, 2.0, 1800);
        for (int i = 0; i < silent_s; ++i) trend.update(1.0, std::nullopt);
        watch(trend, 20.0 + 2.0 * (1800.0 + silent_s) / 3600.0, 2.0, 61);
        REQUIRE(trend.k_per_h().has_value() == (silent_s == 600));
        if (trend.k_per_h()) CHECK(trend.k_per_h()->value == doctest::Approx(2.0).epsilon(0.05));
    }
    for (const double pause_s : {600.0, 600.5}) {  // nobody called
        AmbientTrend trend;
        watch(trend, 20.0, 2.0, 1800);
        trend.update(pause_s, 21.3);
        CHECK(trend.k_per_h().has_value() == (pause_s == 600.0));
    }
}

TEST_CASE("ambient trend: what is no temperature is a gap") {
    AmbientTrend trend;
    watch(trend, 20.0, 2.0, 1830);
    const auto before = trend.k_per_h();
    for (const double none : {std::nan(""), 200.0, -200.0, 1e300}) trend.update(1.0, none);
    trend.update(std::nan(""), 20.0);
    trend.update(-1.0, 20.0);
    REQUIRE(trend.k_per_h());
    CHECK(trend.k_per_h()->value == before->value);
}

TEST_CASE("ambient trend: air that leaps by more than air does is a sensor that was moved") {
    AmbientTrend trend;
    watch(trend, 20.0, 70.0, 1800);
    CHECK(!trend.k_per_h());
}

TEST_CASE("warming: only air that surely grows warmer counts, for four hours at the most") {
    CHECK(sure_warming(std::nullopt).high == 0.0);
    CHECK(sure_warming(Estimate{1.0, 0.0, 2.0}).high == 0.0);
    CHECK(sure_warming(Estimate{1.0, 0.01, 2.0}).high == 2.0);
    CHECK(sure_warming(Estimate{-1.0, -2.0, 0.0}).value == 0.0);
    CHECK(air_rise_k(2.0, 1800.0) == doctest::Approx(1.0));
    CHECK(air_rise_k(2.0, 4.0 * 3600.0) == doctest::Approx(8.0));
    CHECK(air_rise_k(2.0, unbounded) == doctest::Approx(8.0));
    CHECK(air_rise_k(2.0, -1.0) == 0.0);
    // A first-order system behind a ramp lags by its time constant once it is under way (by hand): 2 K/h for 2 h, less
    // 600 s at 2 K/h.
    CHECK(heatsink_rise_k(2.0, 600.0, 7200.0) == doctest::Approx(4.0 - 1.0 / 3.0).epsilon(1e-4));
    CHECK(heatsink_rise_k(2.0, 600.0, unbounded) == doctest::Approx(8.0));
    CHECK(heatsink_rise_k(2.0, 0.0, 3600.0) == doctest::Approx(2.0));
    CHECK(heatsink_rise_k(0.0, 600.0, 3600.0) == 0.0);
}

TEST_CASE("warming: seconds until a limit") {
    // Settled at 60 and without delay: 70 after 10 K at 5 K/h.
    CHECK(seconds_until_warming(60.0, 60.0, 0.0, 5.0, 70.0) == doctest::Approx(7200.0).epsilon(1e-4));
    CHECK(seconds_until_warming(60.0, 60.0, 600.0, 2.5, 70.01) == unbounded);
    CHECK(seconds_until_warming(60.0, 60.0, 600.0, 2.5, 69.99) < unbounded);
    CHECK(seconds_until_warming(70.0, 60.0, 600.0, 2.5, 70.0) == 0.0);
    // Without warming as in air that stays: 102 - 80 exp(-t/200) is 70 at 183.3 s (computed).
    CHECK(seconds_until_warming(22.0, 102.0, 200.0, 0.0, 70.0) == doctest::Approx(183.26).epsilon(1e-4));
    CHECK(seconds_until_warming(std::nan(""), 60.0, 600.0, 2.0, 70.0) <= unbounded);
}
