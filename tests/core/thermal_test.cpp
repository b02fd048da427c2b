#include "maths/thermal.hpp"

#include <doctest/doctest.h>

#include <cmath>
#include <limits>
#include <random>

using namespace dekeyd::core;

namespace {

constexpr double not_a_number = std::numeric_limits<double>::quiet_NaN();
constexpr double infinity = std::numeric_limits<double>::infinity();

// A heatsink of one lump, exact between steps, read by a sensor with the steps of a 12-bit 1-Wire part.
struct Heatsink {
    double resistance = 0.25;  // K/W
    double capacity = 1600.0;  // J/K: 400 s
    double ambient = 22.0;
    double temperature = 22.0;

    void run(double dt, double heat) {
        const double settling = ambient + heat * resistance;
        temperature = settling + (temperature - settling) * std::exp(-dt / (resistance * capacity));
    }
    double read() const { return std::floor(temperature / 0.0625) * 0.0625; }
};

void watch(ThermalFit& fit, Heatsink& sink, double seconds, double heat, bool with_ambient, std::size_t fan = 0) {
    for (int i = 0; i < static_cast<int>(seconds); ++i) {
        sink.run(1.0, heat);
        fit.update(1.0, sink.read(), heat, with_ambient ? std::optional{sink.ambient} : std::nullopt, fan);
    }
}

bool contains(const Estimate& e, double value) {
    return e.low <= value && value <= e.high;
}

}  // namespace

TEST_CASE("junction, case and heatsink in the steady state") {
    // Read: the textbook example of 5 W through 3 + 1 + 8 K/W at 25 degC: junction 85, case 70 degC.
    const auto t = steady_temperatures({3, 1, 8}, 5, 25);
    CHECK(t.junction_c == doctest::Approx(85));
    CHECK(t.case_c == doctest::Approx(70));
    CHECK(t.sink_c == doctest::Approx(65));
}

TEST_CASE("a first-order system: 63.2 % after one time constant, 95 % after three") {  // by definition of tau = R C
    CHECK(temperature_after(20, 70, 400, 400) == doctest::Approx(20 + 50 * 0.632).epsilon(0.001));
    CHECK(temperature_after(20, 70, 400, 1200) == doctest::Approx(20 + 50 * 0.95).epsilon(0.001));
    CHECK(temperature_after(20, 70, 400, 0) == 20);
    CHECK(temperature_after(20, 70, 0, 5) == 70);
    CHECK(temperature_after(80, 30, 400, 400) == doctest::Approx(30 + 50 * 0.3679).epsilon(0.001));
}

TEST_CASE("time to the limit") {
    CHECK(seconds_until(20, 70, 400, 20 + 50 * (1 - std::exp(-1.0))) == doctest::Approx(400));
    CHECK(temperature_after(35, 82, 333, seconds_until(35, 82, 333, 70)) == doctest::Approx(70));
    CHECK(seconds_until(75, 82, 400, 70) == 0.0);
    CHECK(seconds_until(70, 20, 400, 70) == 0.0);
    CHECK(seconds_until(20, 70, 400, 70) == unbounded);
    CHECK(seconds_until(20, 65, 400, 70) == unbounded);
    CHECK(seconds_until(not_a_number, 65, 400, 70) == 0.0);  // not known: no time is promised
}

TEST_CASE("the mean that a load has to carry") {
    ThermalAverage load{30.0};
    for (int i = 0; i < 300; ++i) load.update(0.1, 10.0);  // 30 s of 10 W
    CHECK(load.mean() == doctest::Approx(10 * (1 - std::exp(-1.0))));
    for (int i = 0; i < 10; ++i) load.update(60.0, 0.0);
    CHECK(load.mean() == doctest::Approx(0.0));
    ThermalAverage steps{30.0};
    ThermalAverage whole{30.0};
    for (int i = 0; i < 100; ++i) steps.update(0.2, 7.0);
    whole.update(20.0, 7.0);
    CHECK(steps.mean() == doctest::Approx(whole.mean()));
    CHECK(whole.update(not_a_number, 5) == doctest::Approx(steps.mean()));
    CHECK(whole.update(1.0, not_a_number) == doctest::Approx(steps.mean()));
    CHECK(whole.update(-1.0, 5) == doctest::Approx(steps.mean()));
    ThermalAverage at_once{0.0};
    CHECK(at_once.update(0.02, 12.0) == 12.0);
}

TEST_CASE("fan states by speed") {
    CHECK(fan_state_of(0, 3000) == 0);
    CHECK(fan_state_of(200, 3000) == 0);
    CHECK(fan_state_of(1500, 3000) == 1);
    CHECK(fan_state_of(2900, 3000) == 2);
    CHECK(fan_state_of(900, 0) == 2);
    CHECK(fan_state_of(not_a_number, 3000) == 0);
}

TEST_CASE("nothing is known at first") {
    ThermalFit fit;
    CHECK_FALSE(fit.estimate(100).settling_known);
    Heatsink sink;
    watch(fit, sink, 20, 120, true);
    CHECK_FALSE(fit.estimate(120).settling_known);
    CHECK_FALSE(fit.estimate(120).resistance_known);
}

TEST_CASE("a key-down with an ambient sensor: everything is known within one time constant") {
    ThermalFit fit;
    Heatsink sink;
    watch(fit, sink, 60, 0, true);
    watch(fit, sink, 400, 160, true);  // settles at 62 degC
    const auto e = fit.estimate(160);
    REQUIRE(e.settling_known);
    REQUIRE(e.resistance_known);
    CHECK(e.ambient == AmbientBasis::measured);
    CHECK(std::abs(e.settling_c.value - 62.0) < 1.0);
    CHECK(contains(e.settling_c, 62.0));
    CHECK(e.resistance_k_per_w.value == doctest::Approx(0.25).epsilon(0.05));
    CHECK(e.capacity_j_per_k.value == doctest::Approx(1600).epsilon(0.05));
    CHECK(e.time_constant_s.value == doctest::Approx(400).epsilon(0.07));
    // What it says of another heat is right too.
    CHECK(std::abs(fit.estimate(80).settling_c.value - 42.0) < 1.0);
}

TEST_CASE("at constant heat without an ambient sensor the settling temperature is known, the resistance is not") {
    ThermalFit fit;
    Heatsink sink;
    sink.temperature = 41.0;  // watching begins in the middle of a transmission
    watch(fit, sink, 900, 160, false);
    const auto e = fit.estimate(160);
    REQUIRE(e.settling_known);
    CHECK(std::abs(e.settling_c.value - 62.0) < 1.0);
    CHECK_FALSE(e.resistance_known);
    CHECK(e.ambient == AmbientBasis::assumed);
}

TEST_CASE("varied heat tells ambient and resistance apart") {
    ThermalFit fit;
    Heatsink sink;
    sink.temperature = 41.0;
    watch(fit, sink, 600, 160, false);
    watch(fit, sink, 600, 0, false);
    watch(fit, sink, 600, 160, false);
    const auto e = fit.estimate(160);
    REQUIRE(e.resistance_known);
    CHECK(e.ambient == AmbientBasis::fitted);
    CHECK(std::abs(e.ambient_c.value - 22.0) < 1.0);
    CHECK(e.resistance_k_per_w.value == doctest::Approx(0.25).epsilon(0.05));
    CHECK(std::abs(fit.estimate(0).settling_c.value - 22.0) < 1.0);
}

TEST_CASE("each fan state has its own numbers") {
    ThermalFit fit;
    Heatsink sink;
    watch(fit, sink, 900, 120, true, 0);
    const double stopped = fit.estimate(120).resistance_k_per_w.value;
    sink.resistance = 0.10;
    watch(fit, sink, 600, 120, true, 2);
    const auto fast = fit.estimate(120);
    REQUIRE(fast.resistance_known);
    CHECK(fast.resistance_k_per_w.value == doctest::Approx(0.10).epsilon(0.08));
    CHECK(std::abs(fast.settling_c.value - 34.0) < 1.0);
    sink.resistance = 0.25;
    watch(fit, sink, 5, 120, true, 0);
    CHECK(fit.estimate(120).resistance_k_per_w.value == doctest::Approx(stopped).epsilon(0.02));  // remembered
}

TEST_CASE("a heatsink that changes is followed") {
    ThermalFit fit;
    Heatsink sink;
    watch(fit, sink, 3600, 120, true);
    CHECK(std::abs(fit.estimate(120).settling_c.value - 52.0) < 1.0);
    sink.resistance = 0.40;  // dust
    watch(fit, sink, 4 * 3600, 120, true);
    CHECK(std::abs(fit.estimate(120).settling_c.value - 70.0) < 2.0);
}

TEST_CASE("long silence leads back to not known") {
    ThermalFit fit;
    Heatsink sink;
    watch(fit, sink, 800, 160, true);
    REQUIRE(fit.estimate(160).settling_known);
    watch(fit, sink, 24 * 3600, 0, true);  // a day without heat teaches nothing about heat
    const auto e = fit.estimate(160);
    CHECK_FALSE(e.settling_known);
    CHECK(std::isfinite(e.settling_c.value));
}

TEST_CASE("gaps, clock steps and bad numbers don't mislead") {
    ThermalFit fit;
    Heatsink sink;
    for (int i = 0; i < 900; ++i) {
        sink.run(1.0, 160);
        const bool lost = i % 7 == 3;
        fit.update(1.0, lost ? not_a_number : sink.read(), 160, sink.ambient);
        if (i == 300) {  // two minutes unseen, with the heat off
            sink.run(120, 0);
            fit.update(120.0, sink.read(), 160, sink.ambient);
        }
        if (i == 500) {
            fit.update(-5.0, sink.read(), 160, sink.ambient);
            fit.update(not_a_number, sink.read(), 160, sink.ambient);
            fit.update(0.0, infinity, 160, sink.ambient);
            fit.update(0.0, sink.read(), -infinity, not_a_number);
        }
    }
    CHECK(std::abs(fit.estimate(160).settling_c.value - 62.0) < 1.0);
}

TEST_CASE("the cadence of the calls makes no difference") {
    ThermalFit often;
    ThermalFit seldom;
    Heatsink sink;
    for (int i = 0; i < 600 * 50; ++i) {
        sink.run(0.02, 160);
        often.update(0.02, sink.read(), 160, 22.0);
        if (i % 50 == 49) seldom.update(1.0, sink.read(), 160, 22.0);
    }
    CHECK(often.estimate(160).settling_c.value ==
          doctest::Approx(seldom.estimate(160).settling_c.value).epsilon(0.003));
}

TEST_CASE("a slow bus of many sensors is enough") {
    ThermalFit fit;
    Heatsink sink;
    for (int i = 0; i < 200; ++i) {
        const double heat = i % 50 < 30 ? 160 : 0;
        sink.run(9.0, heat);
        fit.update(9.0, sink.read(), heat, sink.ambient);
    }
    const auto e = fit.estimate(160);
    REQUIRE(e.resistance_known);
    CHECK(e.time_constant_s.value == doctest::Approx(400).epsilon(0.01));
    CHECK(std::abs(e.settling_c.value - 62.0) < 0.3);
}

TEST_CASE("an ambient sensor that falters or is lost") {
    ThermalFit fit;
    Heatsink sink;
    watch(fit, sink, 600, 160, true);
    REQUIRE(fit.estimate(160).resistance_known);
    watch(fit, sink, 200, 160, false);
    CHECK(fit.estimate(160).resistance_known);
    CHECK(fit.estimate(160).ambient == AmbientBasis::measured);
    watch(fit, sink, 200, 160, false);
    CHECK(fit.estimate(160).ambient == AmbientBasis::assumed);
    CHECK(fit.estimate(160).ambient_c.value == doctest::Approx(22.0).epsilon(0.1));
    CHECK(fit.estimate(160).settling_known);
    CHECK(std::abs(fit.estimate(160).settling_c.value - 62.0) < 1.0);
}

TEST_CASE("an ambient sensor that arrives late ends the guess, and what was learned by it") {
    ThermalFit fit;
    Heatsink sink;
    sink.temperature = 50.0;  // watching begins hot: the guess is 28 K off
    watch(fit, sink, 600, 160, false);
    watch(fit, sink, 30, 160, true);
    CHECK(fit.estimate(160).ambient == AmbientBasis::measured);
    CHECK_FALSE(fit.estimate(160).settling_known);
    watch(fit, sink, 400, 0, true);
    watch(fit, sink, 400, 160, true);
    REQUIRE(fit.estimate(160).resistance_known);
    CHECK(fit.estimate(160).resistance_k_per_w.value == doctest::Approx(0.25).epsilon(0.03));
    CHECK(std::abs(fit.estimate(160).settling_c.value - 62.0) < 1.0);
}

TEST_CASE("forecasts of random heatsinks hold after one time constant") {
    std::mt19937_64 random{99};
    std::uniform_real_distribution<double> unit{0.0, 1.0};
    int known = 0;
    int inside = 0;
    double worst = 0.0;
    constexpr int cases = 200;
    for (int i = 0; i < cases; ++i) {
        Heatsink sink;
        sink.ambient = -10 + 45 * unit(random);
        sink.temperature = sink.ambient;
        const double tau = 150 + 1050 * unit(random);
        const double rise = 15 + 45 * unit(random);
        const double heat = 20 + 400 * unit(random);
        sink.resistance = rise / heat;
        sink.capacity = tau / sink.resistance;
        ThermalFit fit;
        watch(fit, sink, 30, 0, i % 2 == 0);
        watch(fit, sink, tau, heat, i % 2 == 0);
        const auto e = fit.estimate(heat);
        const double off = std::abs(e.settling_c.value - (sink.ambient + rise));
        if (!e.settling_known) continue;
        ++known;
        worst = std::max(worst, off);
        inside += contains(e.settling_c, sink.ambient + rise) ? 1 : 0;
    }
    MESSAGE("known after one time constant: " << known << " of " << cases << ", worst error " << worst
                                              << " K, inside its own interval: " << inside);
    CHECK(known >= cases * 9 / 10);
    CHECK(worst < 2.0);
    CHECK(inside >= known * 95 / 100);
}

TEST_CASE("any history gives finite estimates") {
    std::mt19937_64 random{5};
    const double awkward[] = {0.0,   1.0,    -1.0,   20.0,         85.0,     1e9,      -1e9,
                              1e300, -1e300, 5e-324, not_a_number, infinity, -infinity};
    std::uniform_int_distribution<std::size_t> pick{0, std::size(awkward) - 1};
    std::uniform_int_distribution<int> mostly{0, 9};
    ThermalFit fit;
    for (int i = 0; i < 50000; ++i) {
        const auto number = [&](double usual) { return mostly(random) ? usual : awkward[pick(random)]; };
        fit.update(number(1.0), number(40.0 + i % 20), number(100.0), number(22.0), pick(random));
        const auto e = fit.estimate(number(100.0));
        for (const Estimate& x :
             {e.ambient_c, e.resistance_k_per_w, e.capacity_j_per_k, e.time_constant_s, e.settling_c}) {
            REQUIRE(std::isfinite(x.value));
            REQUIRE(x.low <= x.value);
            REQUIRE(x.high >= x.value);
            REQUIRE(std::isfinite(x.low));
            REQUIRE(std::isfinite(x.high));
        }
    }
    for (const double a : awkward) {
        for (const double b : awkward) {
            REQUIRE(std::isfinite(temperature_after(a, b, a, b)));
            REQUIRE(std::isfinite(temperature_after(20, a, b, 10)));
            REQUIRE(std::isfinite(seconds_until(a, b, 100, 70)));
            REQUIRE(std::isfinite(seconds_until(20, 80, a, b)));
            const auto t = steady_temperatures({a, b, 1}, b, a);
            REQUIRE(std::isfinite(t.junction_c));
            REQUIRE(std::isfinite(t.case_c));
            REQUIRE(std::isfinite(t.sink_c));
            ThermalAverage mean{a};
            mean.update(b, a);
            mean.update(a, b);
            REQUIRE(std::isfinite(mean.mean()));
        }
    }
}
