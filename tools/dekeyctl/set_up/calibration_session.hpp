// The levels of this and earlier sessions of calibrate, on the disk as soon as each is taken.
#pragma once

#include <cstddef>
#include <optional>
#include <string>
#include <vector>

#include "configuration/calibration.hpp"
#include "dekeyctl/commands.hpp"

namespace dekeyd::ctl {

/// A file of this name in the configuration's folder.
std::string beside(const CalibrateOptions& options, const std::string& name);

/// Now, ISO 8601, UTC.
std::string utc_now();

class CalibrationSession {
public:
    /// `options` must outlive it.
    explicit CalibrationSession(const CalibrateOptions& options);

    /// Of the session file, else of the calibration. False, with a complaint, where a file is there and damaged.
    [[nodiscard]] bool resume();
    /// A level near an older one takes its place. False, with a complaint: the disk didn't take it.
    [[nodiscard]] bool keep(const formats::CalibrationPoint& point, std::optional<double> temperature_c);
    [[nodiscard]] bool drop(std::size_t index);
    [[nodiscard]] formats::CalibrationFit fit(const core::PowerChain& chain) const;
    /// What the file says: the levels with the sensor, the date and every reference that they were taken with.
    [[nodiscard]] formats::Calibration calibration() const;
    [[nodiscard]] const std::vector<formats::CalibrationPoint>& points() const { return kept_.points; }
    [[nodiscard]] const std::string& path() const { return path_; }

private:
    [[nodiscard]] bool save();

    const CalibrateOptions& options_;
    std::string path_;
    formats::Calibration kept_;
};

}  // namespace dekeyd::ctl
