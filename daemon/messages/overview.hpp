// The overview for a remote screen: the configuration's figures, and the whole state in one object a second.
#pragma once

#include <chrono>
#include <string_view>
#include <vector>

#include "core/protection.hpp"
#include "plan/hazards.hpp"
#include "plan/plan.hpp"
#include "words/mqtt_messages.hpp"
#include "words/notes.hpp"

namespace dekeyd::formats {

/// A limit as configured. Levels in the unit of what it watches; one that only warns has its level as `trip` too.
LimitStatus planned_limit(const core::Plan& plan, const core::LimitPlan& limit);

/// Seconds until a cause's hold-off has passed, of one that has cleared; the whole hold-off while it stands.
double hold_off_left_s(const core::Plan& plan, const core::Snapshot& snapshot, core::SourceIndex source);

PlanMessage plan_of(const core::Plan& plan);

/// An active cause; its id is left to the caller, who names the alert.
SummaryCause cause_of(const core::Plan& plan, const core::Snapshot& snapshot, core::SourceIndex source);

/// Those that stand; `now`: wall time, for their sentences.
std::vector<HoldMessage> holds_of(const core::Memory& memory, const Notes& notes, std::chrono::nanoseconds now);

/// What the snapshot alone says; time, reason, holds, causes and the journal's count are left to the caller.
LiveSummary summary_of(const core::Plan& plan, const core::Snapshot& snapshot);

/// Whether a reading is a number that can be published. "Unbounded" stands for none (a limit that is never reached).
bool has_number(const core::Reading& reading) noexcept;

/// How far a reading may be believed, in one word: good, or why not.
std::string_view quality(const core::Reading& reading) noexcept;

/// A cause of this hazard stands; or a sensor that needn't be there is lost, or reads too steadily.
bool endangered(const core::Plan& plan, const core::Snapshot& snapshot, core::Hazard hazard) noexcept;

}  // namespace dekeyd::formats
