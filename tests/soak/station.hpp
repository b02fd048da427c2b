// The station that the long run guards: its configuration.
#pragma once

#include <string>

#include "configuration/configuration.hpp"

namespace dekeyd::soak {

/// What the configuration says of forward's drift; the world gives its detector the same.
inline constexpr double drift_db_per_k = 0.06, drift_reference_c = 20.0;

/// State and run-time files in `folder`. Ends the program where the text has a fault.
formats::Configuration station(const std::string& folder);

}  // namespace dekeyd::soak
