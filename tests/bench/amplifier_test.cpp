#include "bench/amplifier.hpp"

#include <doctest/doctest.h>

#include <array>
#include <cmath>
#include <vector>

using namespace bench;
using doctest::Approx;

namespace {

double ms(std::int64_t nanoseconds) {
    return static_cast<double>(nanoseconds) * 1e-6;
}

/// What the guard will have to do, but by hand: code to volts to dBm at the detector to watts on the line.
double line_w(int code, double loss_db) {
    const double dbm = code * 62.5e-6 / -0.0244 + 19.6 + loss_db;
    return std::pow(10.0, (dbm - 30.0) / 10.0);
}

Amplifier keyed(double drive_w = 1.6) {
    Amplifier amplifier;
    amplifier.permit(true);
    amplifier.drive(drive_w);
    amplifier.advance(0.1);
    amplifier.key(true);
    amplifier.advance(1.5);
    return amplifier;
}

}  // namespace

TEST_CASE("at rest: no power, detectors at 1.75 V, housekeeping current") {
    Amplifier amplifier;
    amplifier.advance(2.0);
    CHECK(amplifier.truth().forward_w == 0.0);
    for (const Channel channel : {forward, reflected, Channel::drive}) {
        CHECK(amplifier.registers().adc[channel] * 62.5e-6 == Approx(1.75).epsilon(0.005));
    }
    CHECK(std::abs(amplifier.registers().adc[spare]) < 12);
    CHECK(amplifier.registers().current_ma == 360);  // 0.35 A in steps of 20 mA
    CHECK(amplifier.registers().heatsink_sixteenths == Approx(22 * 16).epsilon(0.01));
    CHECK(amplifier.registers().fan_rpm == Approx(2400).epsilon(0.03));
}

TEST_CASE("keyed and permitted: powers, and what the converter makes of them") {
    const Amplifier amplifier = keyed();
    const Truth& truth = amplifier.truth();
    CHECK(truth.drive_w == Approx(1.6).epsilon(1e-6));
    // Rapp with 18 dB and 160 W at (27.61 / 28)^2, computed: 100.95 W linear over 155.6 W.
    const double saturated_w = 160.0 * std::pow(truth.supply_v / 28.0, 2.0);
    const double linear_w = 1.6 * std::pow(10.0, 1.8);
    CHECK(truth.forward_w == Approx(linear_w / std::cbrt(1.0 + std::pow(linear_w / saturated_w, 3.0))).epsilon(1e-4));
    CHECK(truth.forward_w == Approx(93.1).epsilon(0.005));
    // Ripple 0.15 dB, noise 0.03 dB, and leakage of a good load into the forward arm: 0.3 dB is 7 %.
    CHECK(line_w(amplifier.registers().adc[forward], 50.5) == Approx(truth.forward_w).epsilon(0.07));
    CHECK(line_w(amplifier.registers().adc[Channel::drive], 36.3) == Approx(1.6).epsilon(0.05));
}

TEST_CASE("the indicated VSWR of a bad antenna lies where directivity allows") {
    Amplifier amplifier = keyed();
    amplifier.antenna(0.5);  // VSWR 3 at the antenna, 0.416 after twice 0.8 dB (computed)
    amplifier.advance(0.2);
    CHECK(amplifier.truth().antenna_vswr == Approx(3.0));
    CHECK(amplifier.truth().vswr == Approx(2.4239).epsilon(0.001));
    const double forward_w = line_w(amplifier.registers().adc[forward], 50.5);
    const double reflected_w = line_w(amplifier.registers().adc[reflected], 50.5);
    const double measured = std::sqrt(reflected_w / forward_w);
    // (rho +- d) / (1 -+ rho d) with d = 0.0316, and 0.4 dB for both detectors' ripple and noise.
    CHECK(measured > (0.416 - 0.0316) / (1.0 + 0.416 * 0.0316) / 1.05);
    CHECK(measured < (0.416 + 0.0316) / (1.0 - 0.416 * 0.0316) * 1.05);
}

TEST_CASE("inhibit: the relay opens after its release time, RF goes, drive stays") {
    Amplifier amplifier = keyed();
    REQUIRE(amplifier.truth().rf);
    const std::int64_t before_ns = amplifier.truth().time_ns;
    amplifier.permit(false);
    amplifier.advance(0.007);
    CHECK(amplifier.truth().rf);
    amplifier.advance(0.013);
    CHECK_FALSE(amplifier.truth().rf);
    CHECK(ms(amplifier.truth().rf_gone_ns - before_ns) == Approx(8.0));
    CHECK(amplifier.truth().drive_w == Approx(1.6).epsilon(1e-6));
    CHECK(amplifier.truth().forward_w == Approx(0.0016).epsilon(1e-3));  // 30 dB below drive leaks through
    amplifier.permit(true);
    const std::int64_t again_ns = amplifier.truth().time_ns;
    amplifier.advance(0.1);
    CHECK(ms(amplifier.truth().rf_came_ns - again_ns) == Approx(12.0));
}

TEST_CASE("a flicker of the line shorter than the release time doesn't move the relay") {
    Amplifier amplifier = keyed();
    for (int i = 0; i < 20; ++i) {
        amplifier.permit(false);
        amplifier.advance(0.005);
        amplifier.permit(true);
        amplifier.advance(0.005);
    }
    CHECK(amplifier.truth().rf);
    CHECK(amplifier.truth().rf_gone_ns == -1);
}

TEST_CASE("an open emergency stop breaks the enable, a welded relay ignores everything") {
    Amplifier amplifier = keyed();
    amplifier.emergency_contact(false);
    amplifier.advance(0.02);
    CHECK_FALSE(amplifier.truth().rf);
    CHECK_FALSE(amplifier.registers().enable_present);
    amplifier.emergency_contact(true);
    amplifier.advance(0.02);
    REQUIRE(amplifier.truth().rf);
    amplifier.relay_welded(true);
    amplifier.permit(false);
    amplifier.advance(1.0);
    CHECK(amplifier.truth().rf);
    amplifier.relay_welded(false);
    amplifier.advance(0.02);
    CHECK_FALSE(amplifier.truth().rf);
}

TEST_CASE("the exciter overshoots for milliseconds at key-up") {
    Amplifier amplifier;
    amplifier.drive(2.0);
    amplifier.key(true);
    double peak_w = 0.0;
    std::int64_t over_ns = 0;
    for (int i = 0; i < 200; ++i) {
        amplifier.advance(0.0005);
        peak_w = std::max(peak_w, amplifier.truth().drive_w);
        if (amplifier.truth().drive_w > 2.02) over_ns = amplifier.truth().time_ns;
    }
    CHECK(peak_w > 2.1);
    CHECK(peak_w < 2.4);
    CHECK(ms(over_ns) > 1.0);
    CHECK(ms(over_ns) < 10.0);
}

TEST_CASE("the supply sags at key-up for about 300 ms and then holds by its resistance") {
    Amplifier amplifier;
    amplifier.permit(true);
    amplifier.advance(0.1);
    amplifier.key(true);
    double lowest_v = 100.0;
    std::int64_t low_ns = 0;
    for (int i = 0; i < 2000; ++i) {
        amplifier.advance(0.0005);
        lowest_v = std::min(lowest_v, amplifier.truth().supply_v);
        if (amplifier.truth().supply_v < 27.5) low_ns = amplifier.truth().time_ns;
    }
    CHECK(lowest_v < 26.2);
    CHECK(lowest_v > 25.2);  // above 85 % of 28 V: an ordinary key-up
    CHECK(ms(low_ns) > 200.0);
    CHECK(ms(low_ns) < 450.0);
    CHECK(amplifier.truth().supply_v == Approx(28.0 - 0.05 * amplifier.truth().current_a).epsilon(1e-4));
}

TEST_CASE("energy: what the supply gives is radiated or becomes heat") {
    const Amplifier amplifier = keyed();
    const Truth& truth = amplifier.truth();
    const double drain_w = truth.supply_v * (truth.current_a - 0.35);
    CHECK(truth.heat_w + truth.forward_w - truth.reflected_w == Approx(drain_w).epsilon(1e-3));
    CHECK(truth.forward_w / drain_w == Approx(0.457).epsilon(0.01));  // 60 % times the square root of 93/155, computed
}

TEST_CASE("warm-up ends at ambient + P R, the same at any thermal speed") {
    Amplifier amplifier = keyed();
    amplifier.thermal_speed(100.0);
    amplifier.advance(40.0);  // thirteen time constants
    CHECK(amplifier.truth().heatsink_c == Approx(22.0 + 0.20 * amplifier.truth().heat_w).epsilon(1e-3));
    amplifier.fan(false);
    amplifier.advance(150.0);
    CHECK(amplifier.truth().heatsink_c == Approx(22.0 + 0.80 * amplifier.truth().heat_w).epsilon(1e-3));
    CHECK(amplifier.registers().fan_rpm == 0);

    Amplifier slow = keyed();
    Amplifier quick = keyed();
    slow.advance(200.0);
    quick.thermal_speed(20.0);
    quick.advance(10.0);
    // Not quite the same rises: 1.5 s of the keying ran at speed 1 in both.
    CHECK(quick.truth().heatsink_c == Approx(slow.truth().heatsink_c).epsilon(1e-3));
}

TEST_CASE("a 1-Wire reading is 750 ms old when it appears, and at most 1.75 s when it goes") {
    Amplifier amplifier;
    amplifier.advance(2.9);
    amplifier.ambient(40.0);
    amplifier.advance(0.1);  // 3.0 s: a conversion begins
    CHECK(amplifier.registers().air_sixteenths == Approx(22 * 16).epsilon(0.01));
    amplifier.advance(0.749);
    CHECK(amplifier.registers().air_sixteenths == Approx(22 * 16).epsilon(0.01));
    amplifier.advance(0.001);
    CHECK(amplifier.registers().air_sixteenths == Approx(40 * 16).epsilon(0.01));
    amplifier.ambient(10.0);
    amplifier.advance(0.3);  // 4.05 s; that conversion began just before the change was seen
    CHECK(amplifier.registers().air_sixteenths == Approx(40 * 16).epsilon(0.01));
    amplifier.advance(0.7);
    CHECK(amplifier.registers().air_sixteenths == Approx(10 * 16).epsilon(0.02));
}

TEST_CASE("a moving antenna: in a straight line, and there in time") {
    Amplifier amplifier = keyed();
    const double before = amplifier.truth().antenna_vswr;
    amplifier.antenna(std::polar(2.0 / 3.0, 1.8), 4.0);
    CHECK(amplifier.truth().antenna_vswr == before);
    double last = before;
    for (int i = 0; i < 8; ++i) {
        amplifier.advance(0.5);
        CHECK(amplifier.truth().antenna_vswr > last);
        last = amplifier.truth().antenna_vswr;
    }
    CHECK(last == Approx(5.0));
    amplifier.advance(1.0);
    CHECK(amplifier.truth().antenna_vswr == Approx(5.0));
}

namespace {

std::vector<double> story(std::uint64_t seed, double step_s) {
    Amplifier amplifier(seed);
    std::vector<double> numbers;
    const auto go = [&](double seconds) {
        for (int i = 0; i < static_cast<int>(seconds / step_s + 0.5); ++i) amplifier.advance(step_s);
        const Truth& truth = amplifier.truth();
        for (const double value : {truth.forward_w, truth.heatsink_c, truth.supply_v, truth.vswr}) {
            numbers.push_back(value);
        }
        for (const int code : amplifier.registers().adc) numbers.push_back(code);
        numbers.push_back(amplifier.registers().heatsink_sixteenths);
        numbers.push_back(amplifier.registers().current_ma);
    };
    amplifier.permit(true);
    amplifier.key(true);
    go(1.0);
    amplifier.antenna(0.6, 1.0);
    go(2.0);
    amplifier.permit(false);
    go(0.5);
    return numbers;
}

}  // namespace

TEST_CASE("the same seed gives the same numbers, at any step") {
    const auto usual = story(3, 0.001);
    CHECK(usual == story(3, 0.001));
    CHECK(usual == story(3, 0.0005));
    CHECK(usual == story(3, 0.010));
    CHECK(usual == story(3, 0.5));
    CHECK(usual == story(3, 0.000125));
    CHECK(usual != story(4, 0.001));
}

TEST_CASE("the converter takes its four channels in turn, one each half millisecond") {
    Amplifier amplifier;
    amplifier.advance(1.0);
    std::array<int, 4> changes{};
    for (int tick = 0; tick < 4000; ++tick) {
        const auto before = amplifier.registers().adc;
        amplifier.advance(0.0005);
        const auto& after = amplifier.registers().adc;
        int changed = 0;
        for (std::size_t channel = 0; channel < 4; ++channel) {
            if (after[channel] == before[channel]) continue;
            ++changed;
            ++changes[channel];
        }
        CHECK(changed <= 1);
    }
    // A thousand conversions each; noise repeats a code now and then: 2 % of detectors', 18 % of the spare's
    // (computed).
    for (std::size_t channel = 0; channel < 3; ++channel) CHECK(changes[channel] > 900);
    CHECK(changes[spare] > 700);
}

TEST_CASE("detector noise is about 0.8 mV and never freezes") {
    Amplifier amplifier;
    double sum = 0.0;
    double squares = 0.0;
    const int count = 5000;
    for (int i = 0; i < count; ++i) {
        amplifier.advance(0.002);
        const double volts = amplifier.registers().adc[forward] * 62.5e-6 - 1.75;
        sum += volts;
        squares += volts * volts;
    }
    const double mean = sum / count;
    CHECK(std::sqrt(squares / count - mean * mean) == Approx(0.0008).epsilon(0.06));
}
