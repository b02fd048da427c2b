// What the measured quantities say together: VSWR, gain, efficiency, heat. Each with the interval that the readings'
// own intervals leave, and the health that theirs allow.
#pragma once

#include <optional>
#include <span>

#include "maths/uncertainty.hpp"
#include "plan/plan.hpp"
#include "plan/reading.hpp"
#include "plan/standing.hpp"

namespace dekeyd::core {

enum class RfLook : std::uint8_t { absent, present, unknown };
/// Absent only where each detector that would see it says so, present where one sees it. Empty: not measured.
RfLook rf_look(const RfPlan& rf, const Reading* forward, const Reading* reflected) noexcept;

/// The three readings of one scan from which ratios may be formed.
struct Bracket {
    Reading forward_before;
    Reading reflected;
    Reading forward_after;
};

enum class BracketState : std::uint8_t {
    measurable,      ///< RF stood before and after the reflected reading
    not_measurable,  ///< too little RF on both sides: ratios have no meaning now
    edge,            ///< RF came or went within the scan, or a reading failed: this scan says nothing
};
BracketState bracket_state(const RfPlan& rf, const Bracket& bracket) noexcept;

/// Forward power to form a ratio with; only for a measurable bracket.
double bracket_forward_w(const Bracket& bracket) noexcept;

/// Reflected power that no load gives, at every power: swapped cables, a dead forward detector. By the larger of the
/// two forward readings, so that RF which comes or goes within the scan is none.
Verdict reflected_exceeds(const RfPlan& rf, const Bracket& bracket) noexcept;

/// What every bracket of a plan is worked out with.
struct LineFactors {
    explicit LineFactors(const RfPlan& rf) noexcept;
    std::optional<double> leak;  ///< the coupler's, in amplitude; empty: no directivity is stated
    double feeder_share;         ///< of the power: what the feeder lets through
    double far_end;              ///< the reflection at the feeder's far end over the one here
};
/// Everything that follows from forward and reflected power, each worked out when it is asked for.
class Reflections {
public:
    /// Not measurable, since never.
    explicit Reflections(const LineFactors& line) noexcept : line_{line} {}
    /// `ratio`: the uncertainty of forward-to-reflected at k = 2, as a factor of amplitude. For a measurable or a not
    /// measurable bracket.
    Reflections(const LineFactors& line, const Bracket& bracket, BracketState state, double ratio) noexcept;

    [[nodiscard]] Instant taken() const noexcept { return taken_; }
    [[nodiscard]] Reading vswr() const noexcept;
    [[nodiscard]] Reading reflection() const noexcept;
    [[nodiscard]] Reading return_loss() const noexcept;
    [[nodiscard]] Reading mismatch_loss() const noexcept;
    [[nodiscard]] Reading net_power() const noexcept;
    [[nodiscard]] Reading antenna_vswr() const noexcept;
    [[nodiscard]] Reading antenna_power() const noexcept;

private:
    template <class Function>
    [[nodiscard]] Reading rising(Function function) const noexcept;
    [[nodiscard]] Reading power(const Estimate& reflection, double share) const noexcept;
    [[nodiscard]] double at_far_end(double reflection) const noexcept;

    LineFactors line_;
    Estimate gamma_{};    ///< the reflection here
    Estimate forward_{};  ///< in W
    Health health_ = Health::not_measurable;
    Instant taken_{};
};

/// Gain and what depends on it; not measurable without RF on both sides of the amplifier.
Reading gain(const RfPlan& rf, const Reading& forward, const Reading& drive) noexcept;
/// The same of two means over scans that had RF.
Reading gain_of(const Reading& forward, const Reading& drive) noexcept;
/// `heatsink`: empty where it isn't measured; the gain's reference temperature is assumed then.
Reading compression(const RfPlan& rf, const Reading& gain, const Reading* heatsink) noexcept;

/// Products of two readings: unknown when either is, taken when the older was.
Reading dc_power(const Reading& supply, const Reading& current) noexcept;
/// Of several: unknown when any is, never the sum of those that happen to be known.
Reading sum(const Reading& a, const Reading& b) noexcept;
/// `drive`: empty where it isn't measured; its share is small.
Reading efficiency(const RfPlan& rf, const Reading& forward, const Reading* drive, const Reading& dc) noexcept;
/// What the heatsink must carry away. Reflected power is taken to come back into the amplifier unless a circulator's
/// load takes it.
Reading heat(const RfPlan& rf, const Reading& dc, const Reading& forward, const Reading* drive,
             const Reading* reflected) noexcept;

struct Forecast;

/// What the formulas see: the newest readings, and what was worked out for several quantities at once.
struct FormulaInputs {
    const Plan& plan;
    std::span<const Reading> quantities;       ///< as in Snapshot
    const Reflections* reflections = nullptr;  ///< at Occasion::rf_scan
    const Reading* forward = nullptr;          ///< at Occasion::rf_scan: as they were with that scan, or
    const Reading* drive = nullptr;            ///< their means over the same scans
    const Reading* heatsink = nullptr;         ///< at Occasion::rf_scan; empty where it isn't measured
    bool means = false;                        ///< forward and drive are means
    const Forecast* forecast = nullptr;        ///< at Occasion::forecast
    const Reading* window_mean = nullptr;      ///< at Occasion::forward: of forward
    const Reading* window_peak = nullptr;

    [[nodiscard]] const Roles& roles() const noexcept { return plan.roles; }
    /// Empty where the plan has no channel of that role.
    [[nodiscard]] const Reading* role(const std::optional<std::uint16_t>& channel) const noexcept {
        return channel ? &quantities[*channel] : nullptr;
    }
    [[nodiscard]] const Reading& of(Derived derived) const noexcept { return quantities[plan.index(derived)]; }
};
/// The formula of `derived`, on its occasion, where the plan has what the quantity needs.
Reading work_out(Derived derived, const FormulaInputs& around) noexcept;

Estimate estimate_of(const Reading& reading) noexcept;
Reading reading_of(const Estimate& estimate, Instant taken, Health health = Health::good) noexcept;
Reading not_measurable(Instant taken) noexcept;

}  // namespace dekeyd::core
