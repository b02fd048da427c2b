#include "bench/radio.hpp"

#include <doctest/doctest.h>

#include <cmath>
#include <complex>
#include <numbers>

using namespace bench;
using doctest::Approx;

namespace {

LogDetector ideal() {
    LogDetector detector;
    detector.ripple_db = 0.0;
    detector.floor_dbm = -120.0;
    return detector;
}

double at_dbm(const LogDetector& detector, double dbm) {
    return detector_v(detector, to_watts(dbm));
}

}  // namespace

TEST_CASE("dBm and watts") {
    CHECK(to_dbm(100.0) == Approx(50.0).epsilon(1e-12));   // definition
    CHECK(to_watts(47.2) == Approx(52.5).epsilon(0.001));  // common table: 47.2 dBm is about 52.5 W
    CHECK(to_watts(to_dbm(0.037)) == Approx(0.037).epsilon(1e-12));
    CHECK(voltage_ratio(6.0206) == Approx(2.0).epsilon(1e-5));  // computed: 20 lg 2
}

TEST_CASE("reflection and VSWR") {
    // VSWR to reflection, computed from (S-1)/(S+1); 1.50 is .2000 also in a published VSWR table.
    const double table[][2] = {{1.10, 0.0476}, {1.50, 0.2000}, {2.00, 0.3333}, {3.00, 0.5000}, {5.00, 0.6667}};
    for (const auto& [vswr, magnitude] : table) {
        CHECK(magnitude_of_vswr(vswr) == Approx(magnitude).epsilon(0.001));
        CHECK(vswr_of(magnitude_of_vswr(vswr)) == Approx(vswr).epsilon(1e-12));
    }
    CHECK(vswr_of(1.0) == 1e6);
    CHECK(std::isfinite(vswr_of(1.5)));
}

TEST_CASE("a lost antenna behind 4.77 dB of feeder reads VSWR 2.0") {  // computed: return loss is twice the loss
    CHECK(vswr_of(std::abs(through_feeder(1.0, 4.77, 0.0))) == Approx(2.0).epsilon(0.001));
    const Reflection turned = through_feeder(1.0, 0.0, std::numbers::pi / 2.0);
    CHECK(std::arg(turned) == Approx(-std::numbers::pi / 2.0));
}

TEST_CASE("Rapp: small signals have the small-signal gain, large ones saturate") {
    CHECK(rapp_w(1e-6, 18.0, 160.0, 3.0) / 1e-6 == Approx(63.0957).epsilon(1e-6));  // computed: 10^1.8
    CHECK(rapp_w(1e6, 18.0, 160.0, 3.0) == Approx(160.0).epsilon(1e-6));
    CHECK(rapp_w(0.0, 18.0, 160.0, 3.0) == 0.0);
    // Where linear power is the saturated one, the output is down by 2^(-1/p): 1.003 dB for p = 3 (computed).
    const double at_saturation_w = 160.0 / 63.0957344;
    CHECK(10.0 * std::log10(160.0 / rapp_w(at_saturation_w, 18.0, 160.0, 3.0)) == Approx(1.00343).epsilon(1e-4));
}

TEST_CASE("Rapp: the 1 dB compression point by formula") {
    // (1 + x^p)^(1/p) = 10^0.1 gives x = (10^(0.1 p) - 1)^(1/p), x the linear over the saturated power (computed).
    for (const double p : {1.0, 2.0, 3.0}) {
        const double x = std::pow(std::pow(10.0, 0.1 * p) - 1.0, 1.0 / p);
        const double drive_w = x * 160.0 / std::pow(10.0, 1.8);
        CHECK(10.0 * std::log10(x * 160.0 / rapp_w(drive_w, 18.0, 160.0, p)) == Approx(1.0).epsilon(1e-9));
    }
}

TEST_CASE("a coupler with leakage in both arms: the extremes of a true VSWR 3.0 at 20 dB are 2.231 and 4.429") {
    // (rho +- d) / (1 -+ rho d), computed.
    const double d = voltage_ratio(-20.0);
    double lowest = 1e9;
    double highest = 0.0;
    for (int forward_phase = 0; forward_phase < 360; forward_phase += 5) {
        for (int reflected_phase = 0; reflected_phase < 360; reflected_phase += 5) {
            const auto turned = [&](int degrees) { return std::polar(d, degrees * std::numbers::pi / 180.0); };
            const Arms arms = through_coupler(100.0, 0.5, {turned(forward_phase), turned(reflected_phase)});
            const double vswr = vswr_of(std::sqrt(arms.reflected_w / arms.forward_w));
            lowest = std::min(lowest, vswr);
            highest = std::max(highest, vswr);
        }
    }
    CHECK(lowest == Approx(2.231).epsilon(0.0005));
    CHECK(highest == Approx(4.429).epsilon(0.0005));
}

TEST_CASE("a coupler that leaks in its reflected arm alone") {
    const Leakage adds{0.0, voltage_ratio(-20.0)};
    const Leakage takes{0.0, -voltage_ratio(-20.0)};
    const auto indicated = [](Reflection load, const Leakage& leakage) {
        const Arms arms = through_coupler(1.0, load, leakage);
        return vswr_of(std::sqrt(arms.reflected_w / arms.forward_w));
    };
    CHECK(indicated(0.2, adds) == Approx(1.857).epsilon(0.0005));  // computed: true 1.5 at D 20 dB
    CHECK(indicated(0.2, takes) == Approx(1.222).epsilon(0.0005));
    CHECK(indicated(0.0, adds) == Approx(1.222).epsilon(0.0005));  // a perfect load at D 20 dB
    const Leakage thirty{0.0, voltage_ratio(-30.0)};
    CHECK(indicated(0.0, thirty) == Approx(1.065).epsilon(0.0005));
}

TEST_CASE("log detector: -24.4 mV/dB, 19.6 dBm gives 0.722 V at -10 dBm and 1.454 V at -40 dBm") {
    // AD8318 at 2.2 GHz: slope and intercept from its datasheet, second-hand; volts computed.
    CHECK(at_dbm(ideal(), -10.0) == Approx(0.72224).epsilon(1e-4));
    CHECK(at_dbm(ideal(), -40.0) == Approx(1.45424).epsilon(1e-4));
}

TEST_CASE("log detector: rests at 1.75 V, stops at its lowest voltage, waves by no more than its ripple") {
    const LogDetector usual;
    CHECK(detector_v(usual, 0.0) == Approx(1.749).epsilon(0.001));
    CHECK(detector_v(usual, -1.0) == detector_v(usual, 0.0));
    CHECK(detector_v(usual, 10.0) == 0.30);
    LogDetector flat = usual;
    flat.ripple_db = 0.0;
    double worst = 0.0;
    for (double dbm = -50.0; dbm < 5.0; dbm += 0.1) {
        worst = std::max(worst, std::fabs(at_dbm(usual, dbm) - at_dbm(flat, dbm)) / 0.0244);
    }
    CHECK(worst <= 0.15 + 1e-9);
    CHECK(worst > 0.12);
    for (double dbm = -60.0; dbm < 5.0; dbm += 0.1) CHECK(at_dbm(usual, dbm + 0.1) < at_dbm(usual, dbm));
}
