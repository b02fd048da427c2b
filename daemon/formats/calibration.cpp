#include "formats/calibration.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

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

CalibrationFit fit_calibration(std::vector<CalibrationLevel> levels) {
    CalibrationFit fit;
    std::sort(levels.begin(), levels.end(),
              [](const CalibrationLevel& a, const CalibrationLevel& b) { return a.reference_dbm < b.reference_dbm; });
    fit.levels = std::move(levels);
    const auto& all = fit.levels;
    if (all.size() < 2) {
        fit.refused = "one level says nothing of the law: take at least two, better five";
        return fit;
    }
    for (std::size_t i = 1; i < all.size(); ++i) {
        const double apart = all[i].reference_dbm - all[i - 1].reference_dbm;
        if (apart < closest_levels_db) {
            fit.refused = fmt::format("levels {} and {} are {:.1f} dB apart, too close: leave at least {:g} dB", i,
                                      i + 1, apart, closest_levels_db);
            return fit;
        }
        const bool rises = all[1].volts > all[0].volts;
        if (rises ? all[i].volts <= all[i - 1].volts : all[i].volts >= all[i - 1].volts) {
            fit.refused = fmt::format(
                "not monotone: from level {} to {} the reference rises and the detector turns back; "
                "was a figure mistyped, or the detector beyond its range?",
                i, i + 1);
            return fit;
        }
    }
    const double span = all.back().reference_dbm - all.front().reference_dbm;
    if (span < shortest_span_db) {
        fit.refused =
            fmt::format("the levels span {:.1f} dB: at least {:g} dB tell slope from offset", span, shortest_span_db);
        return fit;
    }
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
    for (const CalibrationLevel& level : all) {
        fit.residual_db.push_back(level.reference_dbm - (y + fit.scale * (level.indicated_dbm - x)));
        fit.largest_db = std::max(fit.largest_db, std::fabs(fit.residual_db.back()));
    }
    if (!(std::fabs(fit.scale - 1.0) <= largest_scale_error))
        fit.refused = fmt::format(
            "the reference moves {:.2f} dB for each dB shown: the detector's law is another one, or "
            "the reference has a pad that wasn't counted at every level",
            fit.scale);
    else if (fit.largest_db > largest_residual_db)
        fit.refused = fmt::format("a level lies {:.1f} dB off the line through all, more than {:g} dB: take it again",
                                  fit.largest_db, largest_residual_db);
    return fit;
}

std::string calibration_text(const Calibration& calibration) {
    std::string text = fmt::format(
        "# Written by 'dekeyctl calibrate'. Name it in the configuration: 'calibration: {}' in the sensor '{}'.\n"
        "# It holds for this detector, its pads and cables. Take it again after any of them was changed.\n"
        "calibration: 1\nsensor: {}\ndate: {}\nreference: \"{}\"\nreference_uncertainty: {:.3f} dB\n"
        "residual: {:.3f} dB\n",
        calibration.file, calibration.sensor, calibration.sensor, calibration.date, calibration.reference,
        calibration.reference_db, calibration.residual_db);
    if (calibration.temperature_c) text += fmt::format("temperature: {:.1f} degC\n", *calibration.temperature_c);
    text += "table:\n";
    for (const core::TablePoint& point : calibration.points)
        text += fmt::format("  - {{at: {:.3f} dBm, volts: {:.5f} V}}\n", point.dbm, point.volts);
    return text;
}

}  // namespace dekeyd::formats
