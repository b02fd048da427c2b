// A starting configuration for what was found, with a placeholder wherever only a person can know the value.
#pragma once

#include <nlohmann/json_fwd.hpp>
#include <string>

namespace dekeyd::ctl {

/// `found`: as `find --json` prints it. Addresses are filled in only where there is no choice; ratings, limits and
/// calibration never. A device that is there becomes a bus; what it may measure, a sensor and its usual limit.
std::string starting_configuration(const nlohmann::json& found);

}  // namespace dekeyd::ctl
