// Radio-frequency arithmetic: volts to watts, and what two powers say of a load. Pure and total: every input, NaN and
// infinity too, gives a finite result; what can't be told is answered with the worst it could be: what
// is divided by zero is infinite or NaN first, and bounded then. Nothing here knows of time or health.
#pragma once

#include <cstdint>
#include <optional>

#include "plan/plan.hpp"

namespace dekeyd::core {

/// Watts to dBm. watts <= 0 gives -200 (a floor, finite).
double dbm_from_watts(double watts) noexcept;
/// dBm to watts; clamped to +-200 dBm first.
double watts_from_dbm(double dbm) noexcept;
/// The factor by which a power changes that many dB up; clamped as watts_from_dbm.
double power_factor(double db) noexcept;
/// A ratio of powers in dB; ratio <= 0 gives -200.
double db_from_ratio(double ratio) noexcept;

enum class DetectorRange : std::uint8_t { inside, at_floor, above_ceiling };

/// Power on the main line for a detector voltage.
struct LinePower {
    double watts = 0.0;  ///< at the floor: the most it can be; above the ceiling: the least
    double dbm = -200.0;
    DetectorRange range = DetectorRange::inside;
};

/// dBm at the detector for its voltage, in +-200. Beyond a table's ends: the end segment extended (the caller bounds it
/// by floor and ceiling). A detector that can't be used (slope 0, fewer than two points) and NaN give 200.
double detector_dbm(const Detector& detector, double volts) noexcept;
/// The inverse, for level budgets and explanations.
double detector_volts(const Detector& detector, double dbm) noexcept;
/// True where more power means less voltage.
bool falls_with_power(const Detector& detector) noexcept;
/// Slope and intercept through two measured points; none where their volts or powers coincide or aren't finite.
/// (Analog Devices AD8318 data sheet, Rev. 0, equations 9 to 12.)
std::optional<LogDetector> log_detector_through(TablePoint first, TablePoint second) noexcept;

/// The whole chain. `temperature_c` is used where the chain has a coefficient; without it the reference is assumed.
LinePower line_power(const PowerChain& chain, double volts, std::optional<double> temperature_c) noexcept;

/// |Gamma| from two powers. Needs forward > 0; reflected is clamped to [0, forward] (reflected at or above forward
/// gives 1).
double reflection_from_powers(double forward_w, double reflected_w) noexcept;
/// VSWR for |Gamma| in [0, 1]; unbounded (a finite number) at 1.
double vswr_from_reflection(double reflection) noexcept;
double reflection_from_vswr(double vswr) noexcept;
/// dB, positive; |Gamma| 0 gives 200.
double return_loss_db(double reflection) noexcept;
/// dB, positive; |Gamma| 1 gives 200.
double mismatch_loss_db(double reflection) noexcept;
/// What an ideal (lossless) coupler takes from the main line: 10 log10(1 / (1 - 10^(-C/10))) dB. Coupling <= 0 gives
/// 200.
double coupler_main_line_loss_db(double coupling_db) noexcept;
/// |Gamma| beyond a lossy feeder, from what is seen before it; at most 1.
double reflection_at_far_end(double reflection, double feeder_loss_db) noexcept;
/// What |Gamma| grows by on the way there.
double far_end_factor(double feeder_loss_db) noexcept;

struct ReflectionInterval {
    double low = 0.0;
    double high = 1.0;
    bool open_ended = false;  ///< directivity can't bound it above
};
/// Where the true |Gamma| lies for a measured one, with leakage d = 10^(-D/20) in both arms:
/// [max(0,(m-d)/(1+m d)), (m+d)/(1-m d)].
ReflectionInterval reflection_interval(double measured, double directivity_db) noexcept;
/// The same for d itself.
ReflectionInterval reflection_interval_by_leak(double measured, double leak) noexcept;
/// d for a directivity in dB: 1 at 0 dB, and where it is negative or NaN.
double leakage(double directivity_db) noexcept;

/// Which arms of the coupler leak. `both` is what an installation has; the tables of the trade are for one.
enum class LeakyArms : std::uint8_t { reflected, both };
/// What the coupler may show for a true |Gamma| (for commissioning: a perfect load reads up to `high`).
ReflectionInterval indicated_interval(double true_reflection, double directivity_db, LeakyArms arms) noexcept;
/// |Gamma| that a coupler before a feeder sees when the antenna is gone (total reflection at the far end).
double lost_antenna_reflection(double feeder_loss_db) noexcept;

}  // namespace dekeyd::core
