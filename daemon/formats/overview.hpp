// What a screen elsewhere needs beside the values: what the configuration fixes, and how each cause stands.
#pragma once

#include <nlohmann/json_fwd.hpp>

#include "core/plan.hpp"
#include "core/step.hpp"

namespace dekeyd::formats {

/// {"limits": [{id, name, watch, unit, direction, trips, provisional, trip|null, clear|null, warn|null, clear_by,
/// qualify_s, hold_off_s, rearm}], "roles": {"forward": "<quantity's id>", …}, "chains": [{id, detector: {law: "log" |
/// "table" | "square", …}, coupling_db, pads_db, cable_db, waveform_db, floor_dbm, ceiling_dbm, uncertainty_db}],
/// "settling_s": s}. Levels in the unit of what is watched; `trips` false: it only warns, and has no trip level.
nlohmann::ordered_json plan_json(const core::Plan& plan);

/// {text, since_s (its age), hold_off_left_s, latched, first} of an active cause.
nlohmann::ordered_json cause_json(const core::Plan& plan, const core::Snapshot& snapshot, core::SourceIndex source);

/// [low, high] of a measured reading, rounded; high is null when it is unbounded. Null where nothing is measured.
nlohmann::ordered_json span_json(const core::Reading& reading);

}  // namespace dekeyd::formats
