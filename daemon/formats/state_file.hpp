// The state file: what must survive a restart (latches, holds, counters), durable and checksummed.
#pragma once

#include <string>
#include <string_view>

#include "core/interlock.hpp"
#include "core/plan.hpp"

namespace dekeyd::formats {

struct StoredState {
    core::Memory memory;
    bool running = false;  ///< found set at start: the last stop was unclean
};

/// Pure: text of the state file and back. Latches are kept by source id; an id that the plan no longer has, and was
/// latched, makes the whole memory latched (doubt de-keys).
std::string to_text(const core::Plan& plan, const StoredState& state);
/// Damaged, of another version, or not ours: memory.unreadable is set.
StoredState state_from_text(const core::Plan& plan, std::string_view text);

/// Reads <directory>/state. Absent: memory.first_start. Unreadable: memory.unreadable. Never throws.
StoredState load_state(const std::string& directory, const core::Plan& plan);
/// Writes beside, fsyncs, renames, fsyncs the folder. Empty string when durable, otherwise what failed, where and how
/// to mend it.
std::string save_state(const std::string& directory, const core::Plan& plan, const StoredState& state);

}  // namespace dekeyd::formats
