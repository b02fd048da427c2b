// One level of a calibration: the daemon's readings turned back into volts, averaged, beside what the reference shows.
#pragma once

#include <optional>
#include <string>

#include "dekeyctl/commands.hpp"
#include "dekeyctl/set_up/calibration_session.hpp"
#include "dekeyctl/status.hpp"
#include "plan/plan.hpp"

namespace dekeyd::ctl {

/// The sensor that is calibrated, and by which law the daemon has worked out its power.
struct CalibratedSensor {
    std::string id{};
    core::PowerChain chain{};
    std::string drift_sensor{};    ///< id; empty: none
    std::string temperature_of{};  ///< id of what stands for the detector's temperature in the file
    bool reflected = false;
};

/// None: `plan` has no such sensor of a power. The law is the file's.
std::optional<CalibratedSensor> calibrated_sensor(const core::Plan& plan, const std::string& id);

/// What the daemon's readings must be turned back by: its own law, which may be that of before a calibration. None:
/// neither the file's law nor that one is the daemon's.
std::optional<core::PowerChain> law_of(const std::string& sensor, const Status& status, const core::PowerChain& chain);

/// One level, measured, asked for and kept; false where the operator's input is at its end, or the disk took no more.
bool take_level(const CalibrateOptions& options, const CalibratedSensor& sensor, CalibrationSession& session);

}  // namespace dekeyd::ctl
