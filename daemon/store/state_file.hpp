// The text of what must survive a restart (latches, holds, counters), checksummed. Where it lies: state_slots.hpp.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <string_view>

#include "core/interlock.hpp"
#include "plan/plan.hpp"
#include "words/notes.hpp"

namespace dekeyd::formats {

struct StoredState {
    core::Memory memory;
    bool running = false;        ///< found set at start: the last stop was unclean
    std::uint64_t sequence = 0;  ///< of two states the one with the larger number is the newer
    Notes notes{};               ///< of what stands in `memory`
};

/// Pure: the state as text and back. Latches are kept by source id; an id that the plan no longer has, and was latched,
/// makes the whole memory latched (doubt de-keys).
std::string to_text(const core::Plan& plan, const StoredState& state);
/// Nothing where the text is damaged, of another version, or not ours.
std::optional<StoredState> whole_state(const core::Plan& plan, std::string_view text);
/// The same, and damaged_state() for nothing.
StoredState state_from_text(const core::Plan& plan, std::string_view text);

/// Nothing latched, nothing held.
StoredState blank_state(const core::Plan& plan);
/// memory.unreadable is set; and nothing is known of the last run, so it isn't taken for a clean one either.
StoredState damaged_state(const core::Plan& plan);

}  // namespace dekeyd::formats
