// Comparing a detector with a reference power meter: when a level is steady, whether a set of levels makes a
// calibration, and the file that the configuration then names.
#pragma once

#include <cstddef>
#include <string>
#include <vector>

#include "formats/configuration.hpp"

namespace dekeyd::formats {

/// Averages one level, in dB, until its mean stands.
class LevelAverage {
public:
    static constexpr std::size_t fewest = 20;
    static constexpr double steady_db = 0.5;    ///< largest to smallest reading: more is no level
    static constexpr double settled_db = 0.02;  ///< twice the mean's standard deviation

    void add(double dbm) noexcept;
    [[nodiscard]] std::size_t readings() const noexcept { return count_; }
    [[nodiscard]] double mean_dbm() const noexcept { return mean_; }
    [[nodiscard]] double spread_db() const noexcept { return count_ > 0 ? highest_ - lowest_ : 0.0; }
    [[nodiscard]] double doubt_db() const noexcept;  ///< twice the mean's standard deviation; large with one reading
    [[nodiscard]] bool steady() const noexcept { return spread_db() <= steady_db; }
    [[nodiscard]] bool settled() const noexcept { return count_ >= fewest && doubt_db() <= settled_db; }

private:
    std::size_t count_ = 0;
    double mean_ = 0.0, squares_ = 0.0, lowest_ = 0.0, highest_ = 0.0;
};

/// One level, all at the detector: what it shows by its present law, and what the reference says it should.
struct CalibrationLevel {
    double volts = 0.0;
    double indicated_dbm = 0.0;
    double reference_dbm = 0.0;
};

struct CalibrationFit {
    std::string refused;                   ///< why the set makes no calibration, and how to mend it; empty: it does
    std::vector<CalibrationLevel> levels;  ///< in rising order
    double scale = 1.0;                    ///< dB of the reference for a dB shown
    std::vector<double> residual_db;       ///< of each level, from the straight line through all
    double largest_db = 0.0;
};
inline constexpr double closest_levels_db = 3.0;
inline constexpr double shortest_span_db = 10.0;
inline constexpr double largest_residual_db = 1.5;
inline constexpr double largest_scale_error = 0.15;
CalibrationFit fit_calibration(std::vector<CalibrationLevel> levels);

/// What a two-point set can't show: how far the law bends between them.
inline constexpr double unseen_bend_db = 0.5;

/// The file's text, as the loader reads it.
std::string calibration_text(const Calibration& calibration);

}  // namespace dekeyd::formats
