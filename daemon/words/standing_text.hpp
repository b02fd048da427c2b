// Parts of sentences on what stands in the way.
#pragma once

#include <string>
#include <string_view>

#include "plan/events.hpp"
#include "plan/plan.hpp"

namespace dekeyd::formats {

/// What no provisional limit takes away: a sentence behind a blank, or empty.
std::string_view still_in_the_way(core::State state);
/// What stands beside a local hold where it is no source's cause.
std::string_view beside_the_hold(core::State state);
/// ", at most 7.30 W," where the reading itself is on the safe side, and the end of its interval that is judged isn't.
std::string edge_in_words(const core::LimitPlan& limit, const core::Reading& reading, core::Unit unit);

}  // namespace dekeyd::formats
