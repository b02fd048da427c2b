// The bench's own radio arithmetic, forwards: from what the amplifier does to what a converter would read. Written
// apart from the daemon's, which goes the other way; a mistake in one then shows against the other.
#pragma once

#include <complex>

namespace bench {

using Reflection = std::complex<double>;  ///< complex, |.| <= 1

double to_dbm(double watts) noexcept;  ///< watts > 0
double to_watts(double dbm) noexcept;
double voltage_ratio(double db) noexcept;  ///< 10^(db/20)

/// Rapp's model of a solid-state amplifier: linear below, flat at `saturated_w` above; `smoothness` is its p.
double rapp_w(double drive_w, double gain_db, double saturated_w, double smoothness) noexcept;

/// VSWR (>= 1, finite) of |reflection|; total reflection gives 1e6.
double vswr_of(double magnitude) noexcept;
double magnitude_of_vswr(double vswr) noexcept;  ///< vswr >= 1
/// The reflection before a feeder of `loss_db` one way and `phase_rad` there and back.
Reflection through_feeder(Reflection at_far_end, double loss_db, double phase_rad) noexcept;

/// Leakage between the two arms of a directional coupler, as a voltage ratio and a phase for each arm.
struct Leakage {
    Reflection forward_arm;    ///< of the reflected wave, into the forward arm
    Reflection reflected_arm;  ///< of the forward wave, into the reflected arm
};
struct Arms {
    double forward_w = 0.0, reflected_w = 0.0;  ///< what the arms make of the main line, before their coupling loss
};
Arms through_coupler(double forward_w, Reflection load, const Leakage& leakage) noexcept;

/// A logarithmic detector: falling voltage for rising power, with a floor, a ceiling and a wavy error.
struct LogDetector {
    double slope_v_per_db = -0.0244;
    double intercept_dbm = 19.6;
    double floor_dbm = -52.1;  ///< its own noise: rests at 1.75 V
    double lowest_v = 0.30;    ///< its output falls no further
    double ripple_db = 0.15;   ///< peak error of the log law
    double ripple_period_db = 11.0;
    double ripple_phase_rad = 0.0;
    double noise_v = 0.0008;  ///< rms, added by the sampler
};
/// Volts for a power at the detector's input, 0 W allowed. Without noise.
double detector_v(const LogDetector& detector, double watts) noexcept;

}  // namespace bench
