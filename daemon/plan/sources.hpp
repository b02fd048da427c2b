// The sources that may be a cause: limits, channels, and what is built in; each with its id, name and what it does.
#pragma once

#include <cstdint>
#include <string_view>

#include "plan/enum_words.hpp"
#include "plan/events.hpp"
#include "plan/plan.hpp"

namespace dekeyd::core {

/// Sources after the limits and the channels.
enum class Builtin : std::uint8_t {
    overrun,                    ///< the guard missed its own deadline several times running
    line_mismatch,              ///< the line's read-back is not what was written
    enable_mismatch,            ///< the enable voltage after the contact is not what was asked for
    rf_while_inhibited,         ///< RF in conversions begun after the release time
    contactor_open,             ///< the supply is dropped, or not yet settled
    contactor_line_mismatch,    ///< the contactor's pad is not what was written
    contactor_stuck_closed,     ///< told to open, and its contacts are seen closed: welded
    contactor_stuck_open,       ///< told to close, and its contacts are seen open
    reflected_exceeds_forward,  ///< swapped cables, a dead forward detector
    drive_without_forward,      ///< drive that should give forward power doesn't
    current_without_forward,    ///< current that flows only with RF, and no RF: a lost forward cable
    rf_without_current,         ///< more RF than the supply delivers
    reflected_on_floor,         ///< better than any antenna: a loose reflected cable
    heat_without_rise,          ///< a temperature sensor that fell off
    longest_transmission,
    uncalibrated,      ///< a detector waits for its calibration, and no commissioning is under way
    start_not_stored,  ///< a death now would not be counted as an unclean stop: no permit before
    second_opinion,    ///< it took away a permit that was decided here: one of the two is broken
    suspended,         ///< the machine slept, the pad at what it was, and nothing was guarded
    count_,
};
inline constexpr std::size_t builtin_count = static_cast<std::size_t>(Builtin::count_);

struct BuiltinInfo {
    std::string_view id;
    std::string_view name;
    bool latches = false;
    bool counted = true;
    bool contradicts = false;  ///< measurements contradict each other: one of the sensors is wrong
};
BuiltinInfo describe(Builtin builtin) noexcept;

/// Id and words of a source: a limit's id, a channel's id, or a built-in's.
struct SourceInfo {
    std::string_view id;
    std::string_view name;
    enum class Kind : std::uint8_t { limit, channel, builtin } kind = Kind::builtin;
    std::uint16_t index = 0;  ///< within its kind
    bool latches = false;     ///< what it took away waits for an operator
    bool counted = true;      ///< adds to the count that ends in lockout
};
/// In the state file and in the snapshot; and before an id, in captures and by MQTT.
inline constexpr Words<SourceInfo::Kind::builtin> source_kind_words{"limit", "channel", "builtin"};
inline constexpr Words<SourceInfo::Kind::builtin> source_prefix_words{"limit", "sensor", "builtin"};
SourceInfo describe_source(const Plan& plan, SourceIndex source) noexcept;
inline std::size_t source_count(const Plan& plan) noexcept {
    return plan.limits.size() + plan.channels.size() + builtin_count;
}
inline SourceIndex source_of(const Plan& plan, Builtin builtin) noexcept {
    return static_cast<SourceIndex>(plan.limits.size() + plan.channels.size() + static_cast<std::size_t>(builtin));
}

}  // namespace dekeyd::core
