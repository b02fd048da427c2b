#include "maths/uncertainty.hpp"

#include <numbers>

#include "maths/correction.hpp"

namespace dekeyd::core {

namespace {

double term_db(double half_width) noexcept {
    if (!(half_width >= 0.0)) return largest_term_db;
    return std::min(half_width, largest_term_db);
}

double ratio_from_db(double db) noexcept {
    if (std::isnan(db)) return 1.0;
    return std::pow(10.0, std::clamp(db, -200.0, 200.0) / 10.0);
}

double unit_reflection(double reflection) noexcept {
    if (std::isnan(reflection)) return 1.0;
    return std::clamp(reflection, 0.0, 1.0);
}

BudgetTerm term(std::string_view name, double stated_db, ErrorSpread spread) noexcept {
    const double half_width = term_db(stated_db);
    const double factor = spread == ErrorSpread::limits  ? 2.0 / std::numbers::sqrt3
                          : spread == ErrorSpread::phase ? std::numbers::sqrt2
                                                         : 1.0;
    return {name, half_width, spread, half_width * factor};
}

Estimate spread(const LinePower& power, double half_width_db) noexcept {
    Estimate e{power.watts, power.watts * ratio_from_db(-half_width_db), power.watts * ratio_from_db(half_width_db)};
    if (power.range == DetectorRange::at_floor) e.low = 0.0;
    if (power.range == DetectorRange::above_ceiling) e.high = unbounded;
    return tidy(e);
}

}  // namespace

PowerBudget power_budget(const PowerChain& chain) noexcept {
    return power_budget(chain, chain.ceiling_dbm);
}

PowerBudget power_budget_at(const PowerChain& chain, double line_w) noexcept {
    const double shift = chain.coupling_db + chain.pads_db + chain.cable_db + chain.waveform_db;
    return power_budget(chain, dbm_from_watts(line_w) - shift);
}

PowerBudget power_budget(const PowerChain& chain, double at_detector_dbm) noexcept {
    PowerBudget budget;
    BudgetTerm law = term("conformance", chain.conformance_db, ErrorSpread::limits);
    if (chain.correction) {
        const bool beyond = beyond_correction_db(*chain.correction, at_detector_dbm) > 0.0;
        law = term(beyond ? "law beyond levels" : "law between levels",
                   correction_doubt_db(*chain.correction, shown_dbm(chain, at_detector_dbm)), ErrorSpread::normal);
    }
    budget.terms = {{
        term("converter", chain.converter_db, ErrorSpread::limits),
        law,
        term("calibration", chain.calibration_db, ErrorSpread::normal),
        term("temperature", chain.temperature_db, ErrorSpread::limits),
        term("coupling", chain.coupling_tolerance_db, ErrorSpread::limits),
        term("mismatch", chain.mismatch_db, ErrorSpread::phase),
    }};
    double squares = 0.0;
    for (const BudgetTerm& t : budget.terms) {
        squares += t.at_k2_db * t.at_k2_db;
        budget.worst_db += t.stated_db;
    }
    budget.combined_db = std::min(std::sqrt(squares), budget.worst_db);
    return budget;
}

PercentInterval percent_from_db(double half_width_db) noexcept {
    return {100.0 * (ratio_from_db(-half_width_db) - 1.0), 100.0 * (ratio_from_db(half_width_db) - 1.0)};
}

Estimate power_estimate(const LinePower& power, const PowerBudget& budget) noexcept {
    return spread(power, budget.combined_db);
}

Estimate worst_power_estimate(const LinePower& power, const PowerBudget& budget) noexcept {
    return spread(power, budget.worst_db);
}

PercentInterval mismatch_percent(double source_reflection, double load_reflection) noexcept {
    const double product = unit_reflection(source_reflection) * unit_reflection(load_reflection);
    return {100.0 * ((1.0 - product) * (1.0 - product) - 1.0), 100.0 * ((1.0 + product) * (1.0 + product) - 1.0)};
}

double mismatch_uncertainty_db(double source_reflection, double load_reflection) noexcept {
    const double product = unit_reflection(source_reflection) * unit_reflection(load_reflection);
    // The lower half is the wider one in dB.
    return product < 1.0 ? term_db(-20.0 * std::log10(1.0 - product)) : largest_term_db;
}

double converter_uncertainty_db(const Detector& detector, double volts, double step_v, double gain_error) noexcept {
    const double off = std::abs(step_v) / 2.0 + std::abs(gain_error * volts);
    const double here = detector_dbm(detector, volts);
    return std::max(term_db(std::abs(detector_dbm(detector, volts + off) - here)),
                    term_db(std::abs(detector_dbm(detector, volts - off) - here)));
}

double ratio_uncertainty_db(const PowerBudget& forward, const PowerBudget& reflected) noexcept {
    const double f = term_db(forward.combined_db);
    const double r = term_db(reflected.combined_db);
    return std::sqrt(f * f + r * r);
}

Estimate reflection_estimate(double measured_reflection, std::optional<double> directivity_db,
                             double ratio_db) noexcept {
    CouplerErrors errors{.leak = {}, .ratio = ratio_amplitude(ratio_db)};
    if (directivity_db) errors.leak = leakage(*directivity_db);
    return reflection_estimate(measured_reflection, errors);
}

double ratio_amplitude(double ratio_db) noexcept {
    return std::sqrt(ratio_from_db(term_db(ratio_db)));
}

double ratio_amplitude_of_two(double one_db, double other_db) noexcept {
    return ratio_amplitude(std::hypot(one_db, other_db));
}

Estimate reflection_estimate(double measured_reflection, const CouplerErrors& errors) noexcept {
    const double m = unit_reflection(measured_reflection);
    if (!errors.leak) return {m, 0.0, 1.0};
    return {m, reflection_interval_by_leak(m / errors.ratio, *errors.leak).low,
            reflection_interval_by_leak(std::min(1.0, m * errors.ratio), *errors.leak).high};
}

Estimate vswr_estimate(double measured_reflection, std::optional<double> directivity_db, double ratio_db) noexcept {
    const Estimate g = reflection_estimate(measured_reflection, directivity_db, ratio_db);
    return {vswr_from_reflection(g.value), vswr_from_reflection(g.low), vswr_from_reflection(g.high)};
}

Estimate tidy(const Estimate& estimate) noexcept {
    if (std::isnan(estimate.value)) return {0.0, -unbounded, unbounded};
    const double value = std::clamp(estimate.value, -unbounded, unbounded);
    const double below = std::isnan(estimate.low) ? -unbounded : estimate.low;
    const double above = std::isnan(estimate.high) ? unbounded : estimate.high;
    return {value, std::min(value, std::max(below, -unbounded)), std::max(value, std::min(above, unbounded))};
}

}  // namespace dekeyd::core
