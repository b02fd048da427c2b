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
/// Why no proof test can ever run by this plan, and what it wants; empty where one can.
std::string_view no_proof_here(const core::Plan& plan);
/// Why a part of a proof test is refused, and what is to be done about it where that isn't plain.
std::string against_the_proof(const core::Plan& plan, core::ProofEnd why, core::State state, std::string_view source);
/// ", at most 7.30 W," where the reading itself is on the safe side, and the end of its interval that is judged isn't.
std::string edge_in_words(const core::LimitPlan& limit, const core::Reading& reading, core::Unit unit);

}  // namespace dekeyd::formats
