#include "configuration/calibration.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "base/sealed.hpp"
#include "core/limit.hpp"
#include "maths/correction.hpp"
#include "maths/rf.hpp"
#include "maths/uncertainty.hpp"
#include "words/units.hpp"

namespace dekeyd::formats {

void LevelAverage::add(double dbm) noexcept {
    if (!std::isfinite(dbm)) return;
    lowest_ = count_ == 0 ? dbm : std::min(lowest_, dbm);
    highest_ = count_ == 0 ? dbm : std::max(highest_, dbm);
    ++count_;
    const double off = dbm - mean_;
    mean_ += off / static_cast<double>(count_);
    squares_ += off * (dbm - mean_);
}

double LevelAverage::doubt_db() const noexcept {
    if (count_ < 2) return 100.0;
    const auto n = static_cast<double>(count_);
    return 2.0 * std::sqrt(std::max(0.0, squares_) / (n - 1.0) / n);
}

namespace {

// A straight line through what is shown and what it should be.
void fit_line(CalibrationFit& fit) {
    const auto& all = fit.levels;
    double x = 0.0, y = 0.0, xx = 0.0, xy = 0.0;
    const auto n = static_cast<double>(all.size());
    for (const CalibrationLevel& level : all) {
        x += level.indicated_dbm / n;
        y += level.reference_dbm / n;
    }
    for (const CalibrationLevel& level : all) {
        xx += (level.indicated_dbm - x) * (level.indicated_dbm - x);
        xy += (level.indicated_dbm - x) * (level.reference_dbm - y);
    }
    fit.scale = xx > 0.0 ? xy / xx : 0.0;
    fit.residual_db.clear();
    fit.largest_db = 0.0;
    for (const CalibrationLevel& level : all) {
        fit.residual_db.push_back(level.reference_dbm - (y + fit.scale * (level.indicated_dbm - x)));
        fit.largest_db = std::max(fit.largest_db, std::fabs(fit.residual_db.back()));
    }
}

/// Why they can't all be right; empty: they can.
std::string contradiction(const CalibrationFit& fit, double conformance_db) {
    const auto& all = fit.levels;
    for (std::size_t i = 1; i < all.size(); ++i) {
        if (all[i].indicated_dbm > all[i - 1].indicated_dbm) continue;
        return fmt::format("from level {} to {} the reference rises and the detector turns back", i, i + 1);
    }
    if (all.size() < 2) return {};
    // The slope error that ripple within the conformance can make, and the spread of parts.
    constexpr double parts_differ = 0.08;
    const double span = all.back().reference_dbm - all.front().reference_dbm;
    const double allowed = parts_differ + 2.0 * conformance_db / span;
    if (!(std::fabs(fit.scale - 1.0) <= allowed))
        return fmt::format("the reference moves {:.2f} dB for each dB shown", fit.scale);
    const double largest = std::max(0.5, 1.5 * conformance_db);
    if (fit.largest_db > largest)
        return fmt::format("a level lies {:.1f} dB off the line through all, more than {:g} dB", fit.largest_db,
                           largest);
    return {};
}

/// The one level without which the others agree; none where it could be one or another.
std::optional<std::size_t> odd_one(const CalibrationFit& fit, double conformance_db) {
    std::optional<std::size_t> found;
    if (fit.levels.size() < 4) return found;
    for (std::size_t i = 0; i < fit.levels.size(); ++i) {
        CalibrationFit without = fit;
        without.levels.erase(without.levels.begin() + static_cast<std::ptrdiff_t>(i));
        fit_line(without);
        if (!contradiction(without, conformance_db).empty()) continue;
        if (found) return std::nullopt;
        found = i;
    }
    return found;
}

double shift_db(const core::PowerChain& chain) {
    return chain.coupling_db + chain.pads_db + chain.cable_db + chain.waveform_db;
}

std::string watts(double w) {
    return show(w, core::Unit::watt);
}

std::string table_text(const Calibration& calibration) {
    std::string text = fmt::format(
        "calibration: 1\nsensor: {}\ndate: {}\nreference: \"{}\"\nreference_uncertainty: {:.3f} dB\n"
        "residual: {:.3f} dB\n",
        calibration.sensor, calibration.date, calibration.reference, calibration.reference_db, calibration.residual_db);
    if (calibration.temperature_c) text += fmt::format("temperature: {:.1f} degC\n", *calibration.temperature_c);
    text += "table:\n";
    for (const CalibrationPoint& point : calibration.points)
        text += fmt::format("  - {{at: {:.3f} dBm, volts: {:.6f} V, within: {:.3f} dB{}}}\n", point.dbm, point.volts,
                            point.doubt_db, point.taken.empty() ? "" : fmt::format(", taken: \"{}\"", point.taken));
    return text;
}

}  // namespace

CalibrationFit fit_calibration(std::vector<CalibrationLevel> levels, double conformance_db) {
    CalibrationFit fit;
    std::sort(levels.begin(), levels.end(),
              [](const CalibrationLevel& a, const CalibrationLevel& b) { return a.reference_dbm < b.reference_dbm; });
    fit.levels = std::move(levels);
    const auto& all = fit.levels;
    if (all.empty()) {
        fit.wanting = "there is no level yet: take at least two, better five";
        return fit;
    }
    fit_line(fit);
    if (const std::string why = contradiction(fit, conformance_db); !why.empty()) {
        const auto odd = odd_one(fit, conformance_db);
        fit.refused =
            odd ? fmt::format("{}; without level {} the others agree: leave it out, and take it again", why, *odd + 1)
                : fmt::format(
                      "{}: leave the wrong level out, and take it again (was a figure mistyped, a pad not "
                      "counted at every level, the detector beyond its range?)",
                      why);
        return fit;
    }
    const double span = all.back().reference_dbm - all.front().reference_dbm;
    if (all.size() < 2)
        fit.wanting = fmt::format(
            "one level tells the offset alone: one more, {:g} dB or more away, tells the slope too", shortest_span_db);
    else if (span < shortest_span_db)
        fit.wanting = fmt::format(
            "the levels span {:.1f} dB: one more, {:.1f} dB or more above the highest or below the lowest, tells slope "
            "from offset",
            span, shortest_span_db - span);
    return fit;
}

std::vector<BeyondCalibration> beyond_calibration(const core::Plan& plan) {
    std::vector<BeyondCalibration> all;
    for (std::size_t i = 0; i < plan.limits.size(); ++i) {
        const core::LimitPlan& limit = plan.limits[i];
        if (limit.watch >= plan.channels.size() || limit.direction != core::Direction::above) continue;
        const auto& chain = plan.channels[limit.watch].power;
        if (!chain || !chain->correction || !core::may_trip(limit, {})) continue;
        const double at_detector = core::dbm_from_watts(limit.trip) - shift_db(*chain);
        const core::CorrectionPoint& last = chain->correction->points.back();
        const double beyond_db = at_detector - last.shown_dbm - last.add_db;
        if (beyond_db < worth_saying_db) continue;
        core::LinePower power;
        power.watts = limit.trip;
        const core::Estimate estimate = core::power_estimate(power, core::power_budget(*chain, at_detector));
        all.push_back({.channel = limit.watch,
                       .limit = i,
                       .beyond_db = beyond_db,
                       .highest_w = core::watts_from_dbm(last.shown_dbm + last.add_db + shift_db(*chain)),
                       .low_w = estimate.low,
                       .high_w = estimate.high});
    }
    return all;
}

std::string sentence(const core::Plan& plan, const BeyondCalibration& beyond) {
    const double trip_w = plan.limits[beyond.limit].trip;
    return fmt::format(
        "its trip at {} lies {:.1f} dB beyond the highest level that '{}' was compared at, {}: a reading of {} may be "
        "{} "
        "to {} there; 'dekeyctl calibrate' tells how to reach it",
        watts(trip_w), beyond.beyond_db, plan.channels[beyond.channel].id, watts(beyond.highest_w), watts(trip_w),
        watts(beyond.low_w), watts(beyond.high_w));
}

std::vector<std::string> how_to_reach(const core::Plan& plan, const BeyondCalibration& beyond) {
    const core::PowerChain& chain = *plan.channels[beyond.channel].power;
    const double trip_w = plan.limits[beyond.limit].trip;
    std::vector<std::string> ways{fmt::format(
        "When dekeyd guards by this calibration, send more power into a good load with the reference in its place, and "
        "say 'dekeyctl calibrate' again: it keeps the levels and takes one more, such as {}.",
        watts(0.9 * trip_w))};
    if (chain.pads_db >= 1.0)
        ways.push_back(fmt::format(
            "Or with less: feed the line from a signal source, take the detector's pads of {:g} dB out and say "
            "'--pad 0dB' ('--pad' is what is left of them). {} on the line then show the detector what {} will. dekeyd "
            "reads {:g} dB too much meanwhile and inhibits, which is right. Put the pads back afterwards.",
            chain.pads_db, watts(trip_w * std::pow(10.0, -chain.pads_db / 10.0)), watts(trip_w), chain.pads_db));
    return ways;
}

std::string calibration_text(const Calibration& calibration) {
    return fmt::format(
               "# Written by 'dekeyctl calibrate'. Name it in the configuration: 'calibration: {}' in the sensor "
               "'{}'.\n"
               "# It holds for this detector, its pads and cables. Take it again after any of them was changed.\n",
               calibration.file, calibration.sensor) +
           table_text(calibration);
}

std::string session_text(const Calibration& levels) {
    return fmt::format(
               "# Levels of '{}' as 'dekeyctl calibrate' took them, at the detector; a later session goes on from "
               "them.\n"
               "# They hold for this detector, its pads and cables: 'dekeyctl calibrate --new' begins without them.\n",
               levels.sensor) +
           table_text(levels);
}

std::string chain_id(const core::PowerChain& chain) {
    std::string text =
        fmt::format("{:.9g} {:.9g} {:.9g} {:.9g} {:.9g} {:.9g}", chain.coupling_db, chain.pads_db, chain.cable_db,
                    chain.waveform_db, chain.temperature_db_per_k, chain.temperature_reference_c);
    const auto add = [&](std::string_view law, double a, double b) {
        text += fmt::format("; {} {:.9g} {:.9g}", law, a, b);
    };
    if (const auto* log = std::get_if<core::LogDetector>(&chain.detector))
        add("log", log->slope_v_per_db, log->intercept_dbm);
    if (const auto* diode = std::get_if<core::SquareLawDetector>(&chain.detector))
        add("square", diode->volts_per_watt, 0);
    if (const auto* table = std::get_if<core::TableDetector>(&chain.detector))
        for (const core::TablePoint& point : table->points) add("point", point.volts, point.dbm);
    if (chain.correction)
        for (const core::CorrectionPoint& point : chain.correction->points)
            add("compared", point.shown_dbm, point.add_db);
    return hex32(crc32(text));
}

}  // namespace dekeyd::formats
