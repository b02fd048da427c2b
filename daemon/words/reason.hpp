// Why the line is as it is, in words.
#pragma once

#include <chrono>
#include <optional>
#include <string>

#include "core/protection.hpp"
#include "plan/plan.hpp"
#include "words/notes.hpp"

namespace dekeyd::formats {

/// The line's permit, except a proof test's: that is no permission to transmit.
inline bool may_transmit(const core::Snapshot& snapshot) noexcept {
    return snapshot.permit && snapshot.proof.phase == core::ProofPhase::none;
}

/// All that stands, the severest first, and among equals the cause that took the permit away. `notes`: of the holds and
/// the lockout; `now`: wall time, so that a note of today needs no date.
std::string reason(const core::Plan& plan, const core::Snapshot& snapshot, const Notes& notes = {},
                   std::chrono::nanoseconds now = {});

/// While starting: how long every reading must still be good before the first permit; the whole time again while one
/// isn't. Nothing in every other state.
std::optional<core::Duration> settling_left(const core::Plan& plan, const core::Snapshot& snapshot);

}  // namespace dekeyd::formats
