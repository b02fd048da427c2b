// How good a number is: the error budget of a power reading, and how errors travel into what is worked out from it.
// Everything is stated at k = 2 (about 95 %). Total: every result is finite.
#pragma once

#include <algorithm>
#include <array>
#include <cmath>
#include <cstddef>
#include <cstdint>
#include <optional>
#include <string_view>

#include "maths/rf.hpp"
#include "plan/enum_words.hpp"
#include "plan/plan.hpp"
#include "plan/reading.hpp"

namespace dekeyd::core {

/// A value and the interval in which the true one lies at k = 2; `high` may be `unbounded`.
struct Estimate {
    double value = 0.0;
    double low = 0.0;
    double high = 0.0;
};

/// How an error of a stated half-width is spread, after the Guide to the Expression of Uncertainty in Measurement.
enum class ErrorSpread : std::uint8_t {
    normal,  ///< stated at k = 2, as a power meter's calibration is: counts as it stands
    limits,  ///< "within +-a", anywhere between: 2a/sqrt(3) at k = 2
    phase,   ///< a sin(unknown phase), as mismatch is: 2a/sqrt(2) at k = 2
};
inline constexpr Words<ErrorSpread::phase> error_spread_words{"at k = 2", "limits", "unknown phase"};
inline std::string_view text(ErrorSpread value) noexcept {
    return error_spread_words.of(value);
}

/// One line of a budget, as `explain` prints it.
struct BudgetTerm {
    std::string_view name;
    double stated_db = 0.0;  ///< half-width
    ErrorSpread spread = ErrorSpread::normal;
    double at_k2_db = 0.0;  ///< what it counts for in the combination
};

/// The error budget of one power reading, half-widths in dB.
struct PowerBudget {
    std::array<BudgetTerm, 6> terms{};
    double combined_db = 0.0;  ///< root-sum-of-squares at k = 2; never above the worst case
    double worst_db = 0.0;     ///< everything at its end at once: the plain sum
};
/// From the chain's own terms: converter, conformance, calibration, temperature, coupling, mismatch. A negative or
/// unknown term counts as `largest_term_db`, since an unstated error may be a large one. Of a chain that was
/// compared with a reference, the law's term depends on how far `at_detector_dbm` is from the levels that were
/// compared.
PowerBudget power_budget(const PowerChain& chain, double at_detector_dbm) noexcept;
/// At the chain's ceiling; without a correction all levels are alike.
PowerBudget power_budget(const PowerChain& chain) noexcept;
/// The same for a power on the main line.
PowerBudget power_budget_at(const PowerChain& chain, double line_w) noexcept;
inline constexpr double largest_term_db = 30.0;

/// How far a power is off, in percent of the reading: -20.6 and +25.9 for 1 dB. Both signs as they are.
struct PercentInterval {
    double low = 0.0;
    double high = 0.0;
};
PercentInterval percent_from_db(double half_width_db) noexcept;

/// A power with its interval at k = 2. At the floor it is "0 to the floor's upper end"; above the ceiling "the
/// ceiling's lower end to unbounded".
Estimate power_estimate(const LinePower& power, const PowerBudget& budget) noexcept;
/// The same with the budget's worst case.
Estimate worst_power_estimate(const LinePower& power, const PowerBudget& budget) noexcept;

/// Mismatch between a source and a load: the power is off by (1 -+ |source||load|)^2 - 1 at the worst phase.
PercentInterval mismatch_percent(double source_reflection, double load_reflection) noexcept;
/// The wider half of it in dB, for PowerChain::mismatch_db.
double mismatch_uncertainty_db(double source_reflection, double load_reflection) noexcept;

/// A converter seen through the detector's slope at `volts`: half a step, and `gain_error` (0.01 = 1 %) of the
/// voltage, in dB, for PowerChain::converter_db. At most `largest_term_db`.
double converter_uncertainty_db(const Detector& detector, double volts, double step_v, double gain_error) noexcept;

/// VSWR with the interval that directivity leaves, first widened by `ratio_db`, the uncertainty of
/// forward-to-reflected in dB (0: the pair tracks). Without directivity: 1 to unbounded.
Estimate vswr_estimate(double measured_reflection, std::optional<double> directivity_db, double ratio_db) noexcept;
/// The same for |Gamma|, in 0..1.
Estimate reflection_estimate(double measured_reflection, std::optional<double> directivity_db,
                             double ratio_db) noexcept;
/// The same in amplitudes, which need no powers of ten: the coupler's leak (empty: no directivity is stated), and the
/// factor by which forward-to-reflected may be off.
struct CouplerErrors {
    std::optional<double> leak;
    double ratio = 1.0;
};
Estimate reflection_estimate(double measured_reflection, const CouplerErrors& errors) noexcept;
/// That factor for an uncertainty in dB.
double ratio_amplitude(double ratio_db) noexcept;
/// For two of them that are independent.
double ratio_amplitude_of_two(double one_db, double other_db) noexcept;
/// The ratio's uncertainty from two budgets: their root-sum-of-squares.
double ratio_uncertainty_db(const PowerBudget& forward, const PowerBudget& reflected) noexcept;

/// An estimate with finite numbers in order (low <= value <= high), for any input. An unknown end is as far away
/// as can be; an unknown value is 0 with both ends so.
Estimate tidy(const Estimate& estimate) noexcept;

/// Errors of independent inputs through `f` (N doubles to one): each input goes to its ends in turn, and what that
/// does to the result adds as squares, each side for itself.
template <typename F, std::size_t N>
Estimate propagate(F f, const std::array<Estimate, N>& inputs) noexcept {
    std::array<double, N> at{};
    for (std::size_t i = 0; i < N; ++i) at[i] = inputs[i].value;
    const double value = f(at);
    double down = 0.0;
    double up = 0.0;
    for (std::size_t i = 0; i < N; ++i) {
        double lowest = 0.0;
        double highest = 0.0;
        for (const double end : {inputs[i].low, inputs[i].high}) {
            at[i] = end;
            const double change = f(at) - value;
            // std::max and min keep the old number if the new one is NaN.
            lowest = std::min(lowest, change);
            highest = std::max(highest, change);
        }
        at[i] = inputs[i].value;
        down += lowest * lowest;
        up += highest * highest;
    }
    return tidy({value, value - std::sqrt(down), value + std::sqrt(up)});
}

}  // namespace dekeyd::core
