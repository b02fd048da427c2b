#include "words/event_text.hpp"

#include <fmt/format.h>

#include <cmath>
#include <nlohmann/json.hpp>

#include "core/protection.hpp"
#include "words/json_number.hpp"
#include "words/standing_text.hpp"
#include "words/units.hpp"

namespace dekeyd::formats {
namespace {

using core::Condition;
using core::EventKind;
using core::SourceInfo;

std::string_view by(core::Origin origin) noexcept {
    switch (origin) {
        case core::Origin::local: return "locally";
        case core::Origin::remote: return "remotely";
        case core::Origin::none: break;
    }
    return "by the daemon itself";
}

std::string_view side(core::Direction direction) noexcept {
    return direction == core::Direction::above ? "at or above" : "at or below";
}

const core::LimitPlan* limit_of(const core::Plan& plan, const SourceInfo& info) noexcept {
    return info.kind == SourceInfo::Kind::limit && info.index < plan.limits.size() ? &plan.limits[info.index] : nullptr;
}

std::string name_of(const core::Plan& plan, core::SourceIndex source) {
    if (source == core::no_source) return {};
    const SourceInfo info = core::describe_source(plan, source);
    return std::string{info.name.empty() ? info.id : info.name};
}

/// A reading of a quantity; a contact's is a position, not a number.
std::string shown(const core::Plan& plan, core::QuantityIndex quantity, const core::Reading& reading) {
    const bool contact = quantity < plan.channels.size() && plan.channels[quantity].kind == core::ChannelKind::contact;
    if (contact && reading.measured())
        return (reading.value >= 0.5) != plan.channels[quantity].normally_open ? "closed" : "open";
    return in_words(reading, core::describe(plan, quantity).unit);
}

/// "forward 104 W", where RF is what the source is about and it isn't forward itself.
std::string forward_beside(const core::Plan& plan, core::SourceIndex source, std::span<const core::Reading> around) {
    const auto watched = quantity_of(plan, source);
    if (!watched || !plan.roles.forward || *watched == *plan.roles.forward) return {};
    const std::size_t forward = *plan.roles.forward;
    const core::DerivedRule* rule = core::rule_of(plan, *watched);
    const bool about_rf = plan.roles.reflected == *watched || (rule != nullptr && rule->by_directivity());
    if (!about_rf || forward >= around.size() || !around[forward].measured()) return {};
    return "; forward " + in_words(around[forward], core::Unit::watt);
}

/// The detectors that wait for their calibration.
std::string uncalibrated(const core::Plan& plan) {
    std::string names;
    for (const core::Channel& channel : plan.channels) {
        if (!channel.power || !channel.power->calibration_pending) continue;
        names += (names.empty() ? "" : ", ") + (channel.name.empty() ? channel.id : channel.name);
    }
    return "Not calibrated: " + names;
}

/// How the inhibit that this cause made will end.
std::string way_out(const core::Plan& plan, const core::Event& event) {
    switch (event.state) {
        case core::State::locked_out: return "Locked out until an operator resets it.";
        case core::State::latched:
            return event.source != core::no_source && !core::describe_source(plan, event.source).latches
                       ? "Another cause is latched: an operator must reset it."
                       : "Latched until an operator resets it.";
        case core::State::held: return "A hold stands as well.";
        case core::State::permitted:
        case core::State::starting:
        case core::State::tripped: break;
    }
    if (event.source == core::no_source) return {};
    if (event.source == core::source_of(plan, core::Builtin::uncalibrated)) {
        return "'dekeyctl calibrate' mends it; 'dekeyctl commission' permits for a while, under provisional limits.";
    }
    const SourceInfo info = core::describe_source(plan, event.source);
    const core::LimitPlan* limit = limit_of(plan, info);
    const core::Duration hold_off = limit != nullptr ? limit->hold_off : plan.interlock.sensor_hold_off;
    std::string when = "its cause has been gone";
    if (limit != nullptr && limit->clear_by == core::ClearBy::rf_off) {
        when = "RF has been off";
    } else if (limit != nullptr) {
        const core::Unit unit = core::describe(plan, limit->watch).unit;
        when = fmt::format("it has been {} {}", limit->direction == core::Direction::above ? "below" : "above",
                           with_unit(limit->clear, unit));
    }
    if (hold_off <= core::Duration::zero()) return fmt::format("Clears by itself once {}.", when);
    return fmt::format("Clears by itself once {} for {}.", when, show(hold_off));
}

/// What the second opinion had against a permit, beside what the decision made of the same.
std::string objection(const core::Plan& plan, const core::Event& event) {
    std::string what = "it didn't say which";
    const auto quantity = quantity_of(plan, event.about);
    if (quantity) {
        const core::QuantityInfo info = core::describe(plan, *quantity);
        const bool limit = core::describe_source(plan, event.about).kind == SourceInfo::Kind::limit;
        what = fmt::format("{} {} for too long, and the decision, which has {}, permitted", info.name,
                           limit ? "was beyond its raw bound" : "was silent", shown(plan, *quantity, event.reading));
    }
    return fmt::format("Tripped: the second opinion: {}. One of the two is broken. {}", what, way_out(plan, event));
}

std::string sleep_in_words(const core::Plan& plan, const core::Event& event) {
    const auto slept = std::chrono::duration_cast<core::Duration>(std::chrono::duration<double>(event.reading.value));
    return fmt::format("{}: the machine slept for {}, and nothing was guarded; earlier readings no longer count. {}",
                       event.first_cause ? "Tripped" : "Another cause", show(slept), way_out(plan, event));
}

// Times of a proof, as far as they were measured.
std::string times_in_words(const core::Event& event) {
    std::string text;
    const auto add = [&](const char* what, core::Duration time) {
        if (time > core::Duration::zero()) text += fmt::format("{}{} {}", text.empty() ? "" : ", ", what, show(time));
    };
    const core::ProofTimes& t = event.times;
    add("permit read back after", t.line_on);
    add("contact closed after", t.contact_on);
    add("inhibit read back after", t.line_off);
    add("contact open after", t.contact_off);
    return text;
}

std::string proof_in_words(const core::Plan& plan, const core::Event& event) {
    const std::string why{core::text(event.why)};
    const std::string source = event.source == core::no_source ? "" : name_of(plan, event.source);
    const bool passed = event.why == core::ProofEnd::passed;
    switch (event.kind) {
        case EventKind::proof_begun:
            return "Proof test begins: the line may go to permit for moments, and readings are forced.";
        case EventKind::proof_line:
            return passed ? fmt::format("Proof: the line went to permit and back; {}.", times_in_words(event))
                          : fmt::format("Proof of the line failed: {}.", why);
        case EventKind::proof_limit:
            return passed ? fmt::format("Proof: {} forced; the line was at inhibit {} later.", source,
                                        show(event.times.line_off))
                          : fmt::format("Proof of {} failed: {}.", source, why);
        case EventKind::proof_passed: return "Proof test passed.";
        default: break;
    }
    return source.empty() ? fmt::format("Proof test ended, inhibited: {}.", why)
                          : fmt::format("Proof test ended, inhibited: {} ({}).", why, source);
}

std::string refusal(const core::Plan& plan, const core::Event& event) {
    if (event.why != core::ProofEnd::none) {
        const std::string source = event.source == core::no_source ? "" : name_of(plan, event.source);
        return fmt::format("{} refused: {}. Nothing changed.", capital(core::text(event.command)),
                           against_the_proof(plan, event.why, event.state, source));
    }
    const std::string what = capital(core::text(event.command)) + " refused";
    if (event.source == core::source_of(plan, core::Builtin::uncalibrated)) {
        return fmt::format(
            "{}: {}; 'dekeyctl commission' first, and where it has begun, reset again after {}. Nothing "
            "changed.",
            what, uncalibrated(plan), show(plan.interlock.sensor_hold_off));
    }
    if (event.source != core::no_source) {
        return fmt::format("{}: {} still stands. Nothing changed.", what, name_of(plan, event.source));
    }
    if (event.command == core::CommandKind::release) {
        return event.origin == core::Origin::remote && event.state != core::State::permitted
                   ? what + ": no hold that may be released remotely stands. Nothing changed."
                   : what + ": no hold stands. Nothing changed.";
    }
    if (event.command == core::CommandKind::commission) {
        return what + ": the configuration has no 'commissioning:'. Nothing changed.";
    }
    if (event.command == core::CommandKind::end_commissioning) {
        return "Refused: no commissioning is running. Nothing changed.";
    }
    return what + ": nothing is latched. Nothing changed.";
}

/// The quantity is known, and yet the limit isn't: one that rested, and has not been looked at since.
bool comes_into_force(const core::LimitPlan& limit, const core::Reading& reading) {
    return (limit.while_supplied || limit.provisional) && !limit.gate && reading.health == core::Health::good &&
           reading.fault == core::Fault::none;
}

std::string warning_in_words(const core::Plan& plan, const core::Event& event) {
    const SourceInfo info = core::describe_source(plan, event.source);
    const core::LimitPlan* limit = limit_of(plan, info);
    if (limit == nullptr) {
        return fmt::format("Warning: {}: {}.", capital(name_of(plan, event.source)), core::text(event.reading.fault));
    }
    const core::QuantityInfo watched = core::describe(plan, limit->watch);
    const std::string name = capital(watched.name);
    const core::Unit unit = watched.unit;
    if (event.kind == EventKind::warning_over) {
        return fmt::format("Warning over: {} {}.", name, in_words(event.reading, unit));
    }
    const double warn = limit->warn.value_or(limit->trip);
    const std::string what = fmt::format("Warning: {} {} {} {}", name, in_words(event.reading, unit),
                                         side(limit->direction), with_unit(warn, unit));
    if (!limit->trips) return what + ".";
    return fmt::format("{}; it trips at {}.", what, with_unit(limit->trip, unit));
}

}  // namespace

std::string capital(std::string_view words) {
    std::string text{words};
    if (!text.empty() && text[0] >= 'a' && text[0] <= 'z') text[0] = static_cast<char>(text[0] - 'a' + 'A');
    return text;
}

std::optional<core::QuantityIndex> quantity_of(const core::Plan& plan, core::SourceIndex source) noexcept {
    if (source == core::no_source) return std::nullopt;
    const SourceInfo info = core::describe_source(plan, source);
    switch (info.kind) {
        case SourceInfo::Kind::limit:
            return info.index < plan.limits.size() ? std::optional{plan.limits[info.index].watch} : std::nullopt;
        case SourceInfo::Kind::channel: return info.index;
        case SourceInfo::Kind::builtin: break;
    }
    if (source == core::source_of(plan, core::Builtin::rf_while_inhibited)) return plan.roles.forward;
    if (source == core::source_of(plan, core::Builtin::reflected_exceeds_forward)) return plan.roles.reflected;
    return std::nullopt;
}

std::string cause_in_words(const core::Plan& plan, core::SourceIndex source, const core::Cause& cause,
                           const core::Reading* reading) {
    const core::Condition condition = cause.condition;
    const SourceInfo info = core::describe_source(plan, source);
    const core::LimitPlan* limit = limit_of(plan, info);
    // A limit's own name says what is wrong ("VSWR too high"); beside a reading, the quantity's name reads better.
    std::string name =
        capital(limit != nullptr ? std::string{core::describe(plan, limit->watch).name} : name_of(plan, source));
    if (limit != nullptr) {
        const core::Unit unit = core::describe(plan, limit->watch).unit;
        const std::string level = with_unit(limit->trip, unit);
        if (condition == Condition::unknown) {
            if (reading != nullptr && comes_into_force(*limit, *reading))
                return fmt::format("{} waits for its first reading since its limit came into force", name);
            const bool told = reading != nullptr && reading->fault != core::Fault::none;
            return told ? fmt::format("{} unknown ({})", name, core::text(reading->fault))
                        : fmt::format("{} unknown", name);
        }
        if (condition == Condition::bad && reading != nullptr && reading->health != core::Health::unknown &&
            reading->health != core::Health::not_measurable) {
            return fmt::format("{} {}{} {} {}", name, in_words(*reading, unit), edge_in_words(*limit, *reading, unit),
                               side(limit->direction), level);
        }
        if (condition == Condition::bad) return fmt::format("{} {} {}", name, side(limit->direction), level);
        // Where it was never seen beyond its trip, it is not said to have been there.
        if (cause.gravest == Condition::unknown) return fmt::format("{} was unknown and waits to clear", name);
        return fmt::format("{} was {} {} and waits to clear", name, side(limit->direction), level);
    }
    if (info.kind == SourceInfo::Kind::channel) {
        if (reading != nullptr && reading->fault != core::Fault::none) {
            return fmt::format("{}: {}", name, core::text(reading->fault));
        }
        return condition == Condition::clear || condition == Condition::missed
                   ? fmt::format("{} failed and is back", name)
                   : fmt::format("{} gives no reading that may be believed", name);
    }
    if (condition == Condition::unknown) return fmt::format("{}: unknown", name);
    if (source == core::source_of(plan, core::Builtin::uncalibrated)) return uncalibrated(plan);
    return name;
}

std::string sentence(const core::Plan& plan, const core::Event& event, std::span<const core::Reading> around) {
    switch (event.kind) {
        case EventKind::started:
            return event.reading.value == 1.0
                       ? "Started after an unclean stop; inhibited until every required sensor has proved good."
                       : "Started; inhibited until every required sensor has proved good.";
        case EventKind::permitted: return "Permitted: no cause stands.";
        case EventKind::tripped: {
            if (event.source == core::source_of(plan, core::Builtin::second_opinion)) return objection(plan, event);
            if (event.source == core::source_of(plan, core::Builtin::suspended)) return sleep_in_words(plan, event);
            const std::string cause = cause_in_words(
                plan, event.source, {.condition = event.condition, .gravest = event.condition}, &event.reading);
            if (event.forced) return fmt::format("Proof: forced: {}.", cause);
            return fmt::format("{}: {}{}. {}", event.first_cause ? "Tripped" : "Another cause", cause,
                               forward_beside(plan, event.source, around), way_out(plan, event));
        }
        case EventKind::latched:
            return fmt::format("{}Latched: {}. An operator must reset it.", event.forced ? "Proof: forced: " : "",
                               name_of(plan, event.source));
        case EventKind::cleared:
            return fmt::format("{}Cleared: {}.", event.forced ? "Proof: " : "", name_of(plan, event.source));
        case EventKind::locked_out:
            return event.source == core::no_source
                       ? "Locked out: too many unclean starts. An operator must reset it."
                       : fmt::format("Locked out: too many trips, the last by {}. An operator must reset it.",
                                     name_of(plan, event.source));
        case EventKind::held: return fmt::format("Held {}.", by(event.origin));
        case EventKind::released: return fmt::format("Released {}.", by(event.origin));
        case EventKind::reset: return fmt::format("Reset {}; permits again when no cause stands.", by(event.origin));
        case EventKind::refused: return refusal(plan, event);
        case EventKind::warning:
        case EventKind::warning_over:
            return event.source == core::no_source ? capital(core::text(event.kind)) + '.'
                                                   : warning_in_words(plan, event);
        case EventKind::sensor_lost:
            return fmt::format("Sensor lost: {} ({}).", name_of(plan, event.source), core::text(event.reading.fault));
        case EventKind::sensor_back: {
            const auto quantity = quantity_of(plan, event.source);
            return quantity ? fmt::format("Sensor back: {} {}.", name_of(plan, event.source),
                                          shown(plan, *quantity, event.reading))
                            : fmt::format("Sensor back: {}.", name_of(plan, event.source));
        }
        case EventKind::rf_on:
            return event.reading.measured()
                       ? fmt::format("Transmission begins: forward {}.", in_words(event.reading, core::Unit::watt))
                       : std::string{"Transmission begins."};
        case EventKind::rf_off: return "Transmission ends.";
        case EventKind::transmission_ending:
            return plan.supervision.longest_transmission
                       ? fmt::format("The transmission nears the longest allowed, {}: end it, or it is ended.",
                                     show(*plan.supervision.longest_transmission))
                       : std::string{"The transmission nears the longest allowed: end it, or it is ended."};
        case EventKind::contactor_opened: return "The supply contactor was opened.";
        case EventKind::contactor_closed: return "The supply contactor was closed.";
        case EventKind::commissioning:
            return fmt::format("Commissioning begins, for {}: provisional limits hold.{}",
                               show(plan.supervision.commissioning.value_or(core::Duration::zero())),
                               still_in_the_way(event.state));
        case EventKind::commissioning_over: return "Commissioning is over.";
        case EventKind::proof_begun:
        case EventKind::proof_line:
        case EventKind::proof_limit:
        case EventKind::proof_passed:
        case EventKind::proof_ended: return proof_in_words(plan, event);
    }
    return "Unknown event.";
}

ProofOutcome proof_outcome(const core::Event& event) {
    const auto seconds = [](core::Duration time) {
        return time > core::Duration::zero() ? std::optional{core::seconds(time)} : std::nullopt;
    };
    return {.why = std::string{core::text(event.why)},
            .passed = event.why == core::ProofEnd::passed,
            .line_on_s = seconds(event.times.line_on),
            .line_off_s = seconds(event.times.line_off),
            .contact_on_s = seconds(event.times.contact_on),
            .contact_off_s = seconds(event.times.contact_off)};
}

EventMessage event_message(const core::Plan& plan, const core::Event& event, const WallStamp& stamp,
                           std::span<const core::Reading> around) {
    const bool about_rf = event.kind == EventKind::rf_on || event.kind == EventKind::rf_off;
    const auto quantity = about_rf ? plan.roles.forward : quantity_of(plan, event.source);
    const bool sourced = event.source != core::no_source;
    EventMessage message;
    message.number = event.number;
    message.at_s = core::seconds(event.at.time_since_epoch());
    message.wall = to_iso(stamp.since_1970);
    message.synchronised = stamp.synchronised;
    message.kind = core::text(event.kind);
    message.severity = core::text(core::severity_of(event));
    message.sign = core::row_of(event.kind).sign;
    if (sourced) message.source = core::describe_source(plan, event.source).id;
    message.state = core::text(event.state);
    message.first_cause = event.first_cause;
    message.condition = core::text(event.condition);
    const bool measured = event.reading.measured() || event.reading.health == core::Health::above_range;
    if (quantity && measured && std::isfinite(event.reading.value)) message.value = event.reading.value;
    if (quantity) message.unit = core::symbol(core::describe(plan, *quantity).unit);
    const bool passed = sourced && std::isfinite(event.level) &&
                        core::describe_source(plan, event.source).kind == SourceInfo::Kind::limit &&
                        (event.kind == EventKind::tripped || event.kind == EventKind::warning ||
                         event.kind == EventKind::warning_over || event.kind == EventKind::latched);
    if (passed) message.level = event.level;
    message.forced = event.forced;
    if (event.why != core::ProofEnd::none) message.proof = proof_outcome(event);
    message.origin = core::text(event.origin);
    message.command_id = event.command_id;
    message.text = sentence(plan, event, around);
    return message;
}

nlohmann::ordered_json event_json(const core::Plan& plan, const core::Event& event, const WallStamp& stamp,
                                  std::span<const core::Reading> around) {
    return to_json(event_message(plan, event, stamp, around));
}

}  // namespace dekeyd::formats
