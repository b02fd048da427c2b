// What must hold between the parts of a limit, and between it and what it watches.
#pragma once

#include <string_view>

#include "configuration/parts.hpp"

namespace dekeyd::formats {

/// Which fields of a limit are right, so that no fault is said twice.
struct LimitFacts {
    bool direction_known = false;
    bool trip_known = false;
    bool clear_known = false;             ///< a clear level is there and right
    std::string_view trip_key = "watch";  ///< where a fault of the trip level is shown
    Place gate_place;
};

void check_limit(Section& section, Draft& draft, const core::LimitPlan& limit, const LimitFacts& facts);

}  // namespace dekeyd::formats
