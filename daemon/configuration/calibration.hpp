// Comparing a detector with a reference power meter: when a level is steady, whether a set of levels makes a
// calibration, and the file that the configuration then names.
#pragma once

#include <cstddef>
#include <cstdint>
#include <string>
#include <string_view>
#include <vector>

#include "configuration/configuration.hpp"

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

/// One level, all at the detector: what the stated law shows, and what the reference says it should.
struct CalibrationLevel {
    double volts = 0.0;
    double indicated_dbm = 0.0;
    double reference_dbm = 0.0;
};

struct CalibrationFit {
    std::string refused;                   ///< the levels contradict each other: how, and what to do; empty: they don't
    std::string wanting;                   ///< what one level more must be; empty: there are enough
    std::vector<CalibrationLevel> levels;  ///< in rising order
    double scale = 1.0;                    ///< dB of the reference for a dB shown
    std::vector<double> residual_db;       ///< of each level, from the straight line through all
    double largest_db = 0.0;
    [[nodiscard]] bool good() const noexcept { return refused.empty() && wanting.empty(); }
};
inline constexpr double closest_levels_db = 3.0;
inline constexpr double shortest_span_db = 10.0;
/// `conformance_db`: how far the detector's law may be from a straight line.
CalibrationFit fit_calibration(std::vector<CalibrationLevel> levels, double conformance_db = 1.0);

// ---- how far it reaches -------------------------------------------------------------------------------------------

/// A trip in service above all levels that its sensor was compared at.
struct BeyondCalibration {
    std::uint16_t channel = 0;
    std::size_t limit = 0;
    double beyond_db = 0.0;
    double highest_w = 0.0;            ///< the highest level compared
    double low_w = 0.0, high_w = 0.0;  ///< what a reading at the trip may be
};
inline constexpr double worth_saying_db = 0.5;
std::vector<BeyondCalibration> beyond_calibration(const core::Plan& plan);
/// "its trip at 125 W lies 10.2 dB beyond ...".
std::string sentence(const core::Plan& plan, const BeyondCalibration& beyond);
/// What brings a level up there, in sentences.
std::vector<std::string> how_to_reach(const core::Plan& plan, const BeyondCalibration& beyond);

/// The file's text, as the loader reads it.
std::string calibration_text(const Calibration& calibration);
/// The same of levels that are kept for a later session, whether or not they make a calibration yet.
std::string session_text(const Calibration& levels);

/// A calibration file's text; the calibration is meaningful where there are no faults.
struct CalibrationText {
    Calibration calibration;
    std::vector<Fault> faults;
};
CalibrationText read_calibration_text(std::string_view text);

/// Tells two chains apart: eight hexadecimal digits of all that leads from volts to watts.
std::string chain_id(const core::PowerChain& chain);

}  // namespace dekeyd::formats
