#include "words/reason.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <optional>

#include "words/event_text.hpp"

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

}  // namespace

std::optional<core::Duration> settling_left(const core::Plan& plan, const core::Snapshot& snapshot) {
    if (snapshot.state != core::State::starting) return std::nullopt;
    const bool all_clear = std::all_of(snapshot.causes.begin(), snapshot.causes.end(), [](const core::Cause& cause) {
        return cause.condition == core::Condition::clear;
    });
    if (!all_clear || snapshot.settled_since == core::Instant{}) return plan.interlock.settling;
    return std::max(core::Duration::zero(), plan.interlock.settling - (snapshot.now - snapshot.settled_since));
}

std::string reason(const core::Plan& plan, const core::Snapshot& snapshot) {
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
    const auto active = find_source(snapshot, [](const core::Cause& c) { return c.active; });
    switch (snapshot.state) {
        case core::State::locked_out: {
            const std::string text = "Locked out after too many trips or unclean starts; an operator must reset it";
            return active ? fmt::format("{}. {}.", text, words(plan, snapshot, *active)) : text + ".";
        }
        case core::State::latched: {
            const auto latched = find_source(snapshot, [](const core::Cause& c) { return c.latched; });
            if (latched) return words(plan, snapshot, *latched) + ": latched until an operator resets it.";
            if (memory.unreadable) {
                return "The last state can't be read, or wasn't saved whole, so a latch may stand: latched until an "
                       "operator resets it.";
            }
            return "First start: latched until an operator's first reset.";
        }
        case core::State::held:
            return memory.held_locally ? "Held by an operator here, until released here."
                                       : "Held by an operator, until released.";
        case core::State::tripped: return active ? words(plan, snapshot, *active) + "." : "Tripped.";
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
