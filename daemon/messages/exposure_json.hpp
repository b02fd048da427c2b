// Exposure near the antenna for what is configured: the input of the estimate, and its figures for a page.
#pragma once

#include <nlohmann/json_fwd.hpp>

#include "configuration/configuration.hpp"
#include "maths/exposure.hpp"

namespace dekeyd::formats {

/// With the most forward power that can stand (its lowest trip) and what the reading may be low. The limit is left to
/// the caller. `configuration.antenna` must be set.
core::ExposureInput exposure_input(const Configuration& configuration);

/// {power_w, gain_dbi, duty_percent, ground_factor, eirp_w, formula, caution, cases: [{name, w_per_m2, averaging_s,
/// edition, distance_m|null, where}]}; null where no antenna is configured.
nlohmann::ordered_json exposure_json(const Configuration& configuration);

}  // namespace dekeyd::formats
