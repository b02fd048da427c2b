// An event as it is handed on: what the journal has of it, what the guard just said, or what this program found itself.
#pragma once

#include <cstdint>
#include <nlohmann/json_fwd.hpp>
#include <optional>
#include <string>
#include <string_view>

#include "plan/events.hpp"

namespace dekeyd::ctl {

/// The last event of a journal that was handed on.
struct Place {
    std::string epoch;
    std::uint64_t number = 0;
    bool operator==(const Place&) const = default;
};

struct FollowedEvent {
    std::string id;  ///< names it for ever: "<epoch>-<number>" of one that the journal has
    std::string kind, severity_word, wall, source, state, text;
    core::Severity severity = core::Severity::alarm;
    std::string json;              ///< one line, without its newline
    std::optional<Place> place{};  ///< none: it isn't in the journal
    bool own = false;              ///< this program's own
    bool told = false;             ///< it was handed on already; only its place is news
    // The guard's numbering since its start, and its clock: both together name an event that isn't in the journal yet.
    std::uint64_t since_start = 0;
    double at_s = 0.0;

    [[nodiscard]] bool same_as(const FollowedEvent& other) const noexcept {
        return since_start == other.since_start && at_s == other.at_s && kind == other.kind;
    }
};

/// Never throws. An entry that can't be read is an event all the same: an alarm that says so.
FollowedEvent stored_event(const Place& place, const std::string& text);
/// Of a line `{"event":{...}}` of the guard's stream; none where it is no such line.
std::optional<FollowedEvent> live_event(std::string_view line);
/// This program's own. `more`: further members of the JSON line.
FollowedEvent own_event(std::string_view kind, core::Severity severity, std::string_view wall, std::string_view text,
                        const nlohmann::ordered_json& more);

/// This program's own pass always: each tells that others may be missing.
bool passes(const FollowedEvent& event, core::Severity least) noexcept;

}  // namespace dekeyd::ctl
