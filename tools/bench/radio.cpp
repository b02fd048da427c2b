#include "bench/radio.hpp"

#include <algorithm>
#include <cmath>
#include <numbers>

namespace bench {

double to_dbm(double watts) noexcept {
    return 10.0 * std::log10(watts / 1e-3);
}

double to_watts(double dbm) noexcept {
    return 1e-3 * std::pow(10.0, dbm / 10.0);
}

double voltage_ratio(double db) noexcept {
    return std::pow(10.0, db / 20.0);
}

double rapp_w(double drive_w, double gain_db, double saturated_w, double smoothness) noexcept {
    if (drive_w <= 0.0 || saturated_w <= 0.0) return 0.0;
    const double linear_w = drive_w * std::pow(10.0, gain_db / 10.0);
    // In voltages it is v / (1 + (v/vs)^2p)^(1/2p); squared, with powers for voltages, this:
    return linear_w / std::pow(1.0 + std::pow(linear_w / saturated_w, smoothness), 1.0 / smoothness);
}

double vswr_of(double magnitude) noexcept {
    const double most = 1e6;
    if (magnitude >= 1.0) return most;
    return std::min(most, (1.0 + magnitude) / (1.0 - magnitude));
}

double magnitude_of_vswr(double vswr) noexcept {
    return (vswr - 1.0) / (vswr + 1.0);
}

Reflection through_feeder(Reflection at_far_end, double loss_db, double phase_rad) noexcept {
    return at_far_end * std::polar(voltage_ratio(-2.0 * loss_db), -phase_rad);
}

Arms through_coupler(double forward_w, Reflection load, const Leakage& leakage) noexcept {
    return {forward_w * std::norm(1.0 + leakage.forward_arm * load),
            forward_w * std::norm(load + leakage.reflected_arm)};
}

double detector_v(const LogDetector& detector, double watts) noexcept {
    const double floor_w = to_watts(detector.floor_dbm);
    const double input_dbm = to_dbm(std::max(watts, 0.0) + floor_w);
    // The ripple fades out at the floor, where there is no signal to be in error.
    const double signal = std::max(watts, 0.0) / (std::max(watts, 0.0) + floor_w);
    const double wave = 2.0 * std::numbers::pi * input_dbm / detector.ripple_period_db + detector.ripple_phase_rad;
    const double indicated_dbm = input_dbm + signal * detector.ripple_db * std::sin(wave);
    return std::max(detector.lowest_v, detector.slope_v_per_db * (indicated_dbm - detector.intercept_dbm));
}

}  // namespace bench
