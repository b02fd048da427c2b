#include "words/reason.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <optional>
#include <vector>

#include "words/event_text.hpp"
#include "words/units.hpp"

namespace dekeyd::formats {
namespace {

using core::Condition;
using core::SourceIndex;

template <class Fits>
std::optional<SourceIndex> find_source(const core::Snapshot& snapshot, Fits fits) {
    std::optional<SourceIndex> found;
    for (std::size_t i = 0; i < snapshot.causes.size(); ++i) {
        if (!fits(snapshot.causes[i])) continue;
        if (!found || snapshot.causes[i].first) found = static_cast<SourceIndex>(i);
        if (snapshot.causes[i].first) break;
    }
    return found;
}

std::string words(const core::Plan& plan, const core::Snapshot& snapshot, SourceIndex source) {
    const auto quantity = quantity_of(plan, source);
    const bool known = quantity && *quantity < snapshot.quantities.size();
    return cause_in_words(plan, source, snapshot.causes[source], known ? &snapshot.quantities[*quantity] : nullptr);
}

std::string why_starting(const core::Plan& plan, const core::Snapshot& snapshot) {
    const auto missing = find_source(snapshot, [](const core::Cause& c) { return c.condition != Condition::clear; });
    if (missing) return fmt::format("Starting: {}.", words(plan, snapshot, *missing));
    if (snapshot.drive_awaited)
        return "All readings are good; a permit begins only while drive is seen to be absent: let the exciter pause.";
    return fmt::format("Starting: all readings are good; settling for another {:.1f} s.",
                       core::seconds(settling_left(plan, snapshot).value_or(core::Duration::zero())));
}

/// Of all that stands the gravest first: what took the permit away, what is latched, what is bad, what is unknown,
/// and while starting what was never seen good. Longer lists than this end with a count: `causes` has them all.
constexpr std::size_t most_told = 6;

int gravity(const core::Cause& cause) noexcept {
    if (cause.active && cause.latched) return cause.first ? 0 : 1;
    if (cause.active && cause.first) return 2;
    if (cause.active) return cause.condition == Condition::bad ? 3 : cause.condition == Condition::unknown ? 4 : 5;
    return cause.condition == Condition::bad || cause.condition == Condition::unknown ? 6 : 7;
}

std::vector<SourceIndex> all_that_stand(const core::Snapshot& snapshot) {
    std::vector<SourceIndex> found;
    for (std::size_t i = 0; i < snapshot.causes.size(); ++i)
        if (gravity(snapshot.causes[i]) < 7) found.push_back(static_cast<SourceIndex>(i));
    std::stable_sort(found.begin(), found.end(), [&](SourceIndex a, SourceIndex b) {
        return gravity(snapshot.causes[a]) < gravity(snapshot.causes[b]);
    });
    return found;
}

/// " Also: A; B." of all that stand but the one that was said.
std::string also(const core::Plan& plan, const core::Snapshot& snapshot, std::optional<SourceIndex> said) {
    std::string text;
    std::size_t told = 0, left = 0;
    for (const SourceIndex source : all_that_stand(snapshot)) {
        if (source == said) continue;
        if (told == most_told) {
            ++left;
            continue;
        }
        text += (told++ == 0 ? " Also: " : "; ") + words(plan, snapshot, source);
    }
    if (text.empty()) return text;
    return text + (left > 0 ? fmt::format("; and {} more.", left) : ".");
}

std::string holds(const core::Memory& memory, const Notes& notes, std::chrono::nanoseconds now) {
    std::string text;
    if (memory.held_locally) text = hold_in_words(notes.local, true, now);
    if (memory.held_remotely) text += (text.empty() ? "" : " ") + hold_in_words(notes.remote, false, now);
    return text;
}

/// Which of the two counters is full; both where neither says so any more.
std::string lockout_in_words(const core::InterlockPlan& plan, const core::Memory& memory, const Note& note,
                             std::chrono::nanoseconds now) {
    const auto full = [](core::Duration level, std::uint32_t entries, core::Duration window) {
        return entries > 0 && level > window * (entries - 1);
    };
    const bool trips = full(memory.trip_level, plan.lockout_trips, plan.lockout_window);
    const bool starts = full(memory.unclean_level, plan.unclean_starts, plan.unclean_window);
    std::string why;
    if (trips || !starts) why = fmt::format("{} trips within {}", plan.lockout_trips, show(plan.lockout_window));
    if (starts || !trips)
        why += fmt::format("{}{} unclean starts within {}",
                           why.empty() ? ""
                           : trips     ? " and "
                                       : " or ",
                           plan.unclean_starts, show(plan.unclean_window));
    const std::string time = time_of(note, now);
    return fmt::format("Locked out{}{} after {}; an operator must reset it.", time.empty() ? "" : " since ", time, why);
}

}  // namespace

std::optional<core::Duration> settling_left(const core::Plan& plan, const core::Snapshot& snapshot) {
    if (snapshot.state != core::State::starting) return std::nullopt;
    const bool all_clear = std::all_of(snapshot.causes.begin(), snapshot.causes.end(), [](const core::Cause& cause) {
        return cause.condition == core::Condition::clear;
    });
    if (!all_clear || snapshot.settled_since == core::Instant{}) return plan.interlock.settling;
    return std::max(core::Duration::zero(), plan.interlock.settling - (snapshot.now - snapshot.settled_since));
}

std::string reason(const core::Plan& plan, const core::Snapshot& snapshot, const Notes& notes,
                   std::chrono::nanoseconds now) {
    if (snapshot.line_refuses) return "Permit is unknown: the line refuses inhibit. Cut the amplifier's supply.";
    switch (snapshot.proof.phase) {
        case core::ProofPhase::none: break;
        case core::ProofPhase::ready: return "Proof test: held, nothing is forced.";
        case core::ProofPhase::line: return "Proof test: the line is driven to permit and back.";
        case core::ProofPhase::limit: {
            const core::LimitPlan& limit = plan.limits[snapshot.proof.limit];
            return fmt::format("Proof test: {} is forced.", limit.name.empty() ? limit.id : limit.name);
        }
    }
    const core::Memory& memory = snapshot.memory;
    const std::string held = memory.held_locally || memory.held_remotely ? " " + holds(memory, notes, now) : "";
    const auto active = find_source(snapshot, [](const core::Cause& c) { return c.active; });
    switch (snapshot.state) {
        case core::State::locked_out:
            return lockout_in_words(plan.interlock, memory, notes.lockout, now) + also(plan, snapshot, std::nullopt) +
                   held;
        case core::State::latched: {
            const auto latched = find_source(snapshot, [](const core::Cause& c) { return c.latched; });
            std::string text = "First start: latched until an operator's first reset.";
            if (memory.unreadable) {
                text =
                    "The last state can't be read, or wasn't saved whole, so a latch may stand: latched until an "
                    "operator resets it.";
            }
            if (latched) text = words(plan, snapshot, *latched) + ": latched until an operator resets it.";
            return text + also(plan, snapshot, latched) + held;
        }
        case core::State::held: return (held.empty() ? "Held." : held.substr(1)) + also(plan, snapshot, std::nullopt);
        case core::State::tripped:
            return active ? words(plan, snapshot, *active) + "." + also(plan, snapshot, active) : "Tripped.";
        case core::State::starting: return why_starting(plan, snapshot);
        case core::State::permitted: break;
    }
    if (snapshot.monitor_only) return "Nothing stands against a permit; monitor-only, so it is never driven.";
    if (!snapshot.permit) return "The daemon stops, and inhibits.";
    if (snapshot.commissioning_until) {
        const double left_s = core::seconds(*snapshot.commissioning_until - snapshot.now);
        return fmt::format("Commissioning under provisional limits, for another {:.0f} min.",
                           std::ceil(std::max(0.0, left_s) / 60.0));
    }
    return "Nothing stands against the permit.";
}

}  // namespace dekeyd::formats
