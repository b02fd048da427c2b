// A starting configuration for what was found, with a blank wherever only a person can know the value.
#pragma once

#include <nlohmann/json_fwd.hpp>
#include <set>
#include <string>

namespace dekeyd::ctl {

/// Parts that a station may do without though a chip has room for them.
inline constexpr const char* optional_parts[]{"reflected", "drive", "supply", "current", "fan", "ambient"};

/// `found`: as `find --json` prints it. Addresses are filled in only where there is no choice; ratings and the
/// detectors' figures never. A device that is there becomes a bus; what it may measure, a sensor and its usual limit,
/// but for the parts of `without`. In the order in which a person can answer: label, data sheets, wiring.
std::string starting_configuration(const nlohmann::json& found, const std::set<std::string>& without = {});

}  // namespace dekeyd::ctl
