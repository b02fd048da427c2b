// The node "signal": is it clean, and what a receiver elsewhere has measured of it.
#pragma once

#include <string_view>
#include <vector>

#include "telemetry/published/homie.hpp"
#include "telemetry/published/homie_properties.hpp"

namespace dekeyd::homie {

/// Those of the node `signal`, in the order in which they are published, without node and topic; none of another node.
std::vector<Property> signal_properties(const formats::Configuration& configuration, std::string_view node);

/// Of measurements that warn, by id.
std::map<std::string, Alert> signal_alerts(const formats::SignalReport& report);

}  // namespace dekeyd::homie
