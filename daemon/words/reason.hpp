// Why the line is as it is, in one sentence.
#pragma once

#include <optional>
#include <string>

#include "core/protection.hpp"
#include "plan/plan.hpp"

namespace dekeyd::formats {

/// The line's permit, except a proof test's: that is no permission to transmit.
inline bool may_transmit(const core::Snapshot& snapshot) noexcept {
    return snapshot.permit && snapshot.proof.phase == core::ProofPhase::none;
}

/// The severest thing that stands, and among equals the cause that took the permit away.
std::string reason(const core::Plan& plan, const core::Snapshot& snapshot);

/// While starting: how long every reading must still be good before the first permit; the whole time again while one
/// isn't. Nothing in every other state.
std::optional<core::Duration> settling_left(const core::Plan& plan, const core::Snapshot& snapshot);

}  // namespace dekeyd::formats
