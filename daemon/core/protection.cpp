#include "core/protection.hpp"

#include <algorithm>
#include <stdexcept>
#include <string>
#include <utility>

namespace dekeyd::core {

namespace {

void need(bool holds, const char* what) {
    if (!holds) throw std::invalid_argument(std::string{"plan: "} + what);
}

/// Until then a sensor that gives nothing yet may still be waking up.
constexpr Duration wakes_within = std::chrono::seconds{10};

void check_indices(const Plan& plan) {
    for (const Channel& channel : plan.channels) {
        need(channel.sampler < plan.samplers.size(), "a channel's sampler is out of range");
        need(channel.slot < plan.samplers[channel.sampler], "a channel's slot is out of range");
        need((channel.kind == ChannelKind::power) == channel.power.has_value(),
             "a chain is a power channel's, and its own");
        if (channel.power && channel.power->temperature_channel) {
            need(*channel.power->temperature_channel < plan.channels.size(), "a temperature channel is out of range");
        }
    }
    for (const LimitPlan& limit : plan.limits) {
        need(limit.watch < plan.quantity_count(), "a limit's quantity is out of range");
        need(!limit.gate || limit.gate->quantity < plan.quantity_count(), "a gate's quantity is out of range");
    }
    const Roles& r = plan.roles;
    for (const auto& part : {r.forward, r.reflected, r.drive, r.supply, r.current, r.heatsink, r.ambient, r.fan,
                             r.enable_sense, r.key_sense, r.contactor_sense}) {
        need(!part || *part < plan.channels.size(), "a role's channel is out of range");
    }
    for (const Feed& feed : r.more_feeds) {
        need(r.current.has_value(), "a further current without a first one");
        need(feed.current < plan.channels.size(), "a role's channel is out of range");
        need(feed.supply.has_value() == r.supply.has_value(), "a current without its supply");
        need(!feed.supply || *feed.supply < plan.channels.size(), "a role's channel is out of range");
    }
    for (const std::uint16_t fan : r.more_fans) {
        need(r.fan && fan < plan.channels.size(), "a role's channel is out of range");
    }
    if (r.forward && r.reflected) {
        const Channel& forward = plan.channels[*r.forward];
        need(forward.sampler == plan.channels[*r.reflected].sampler, "forward and reflected are on two samplers");
        need(plan.rf.forward_again_slot < plan.samplers[forward.sampler], "forward's second slot is out of range");
    }
}

std::vector<SourceRule> rules_for(const Plan& plan) {
    std::vector<SourceRule> rules;
    for (std::size_t source = 0; source < source_count(plan); ++source) {
        const SourceInfo info = describe_source(plan, static_cast<SourceIndex>(source));
        const bool limit = info.kind == SourceInfo::Kind::limit;
        const Duration hold_off = limit ? plan.limits[info.index].hold_off : plan.interlock.sensor_hold_off;
        const bool after_reset = source == source_of(plan, Builtin::contactor_open);
        rules.push_back({hold_off, info.latches, info.counted, after_reset});
    }
    return rules;
}

}  // namespace

Snapshot Protection::blank(const Plan& plan) {
    Snapshot snapshot;
    snapshot.quantities.resize(plan.quantity_count());
    snapshot.causes.resize(source_count(plan));
    snapshot.warnings.resize(plan.limits.size());
    snapshot.standing.resize(plan.limits.size(), Standing::untold);
    snapshot.channels.resize(plan.channels.size());
    snapshot.memory.latched.resize(source_count(plan));
    return snapshot;
}

Protection::Protection(const Plan& plan, Memory memory, bool unclean_start, bool start_noted)
    : plan_{(check_indices(plan), plan)},
      measurement_{plan},
      watched_(plan.channels.size()),
      limits_{plan},
      reflected_timer_{plan.rf.edge_time},
      swapped_timer_{plan.plausibility.qualify},
      supervision_{plan, start_noted},
      conditions_(source_count(plan)),
      interlock_{plan.interlock, rules_for(plan), std::move(memory), unclean_start},
      proof_{plan},
      transmission_{plan},
      events_{4 * source_count(plan) + 64},
      snapshot_{blank(plan)},
      unclean_start_{unclean_start} {
    for (const LimitPlan& limit : plan.limits) {
        // A limit that only warns, or seldom watches, doesn't stand in for the channel's own source.
        if (limit.watch < plan.channels.size() && surely_trips(limit, {})) watched_[limit.watch] = true;
    }
}

Decision Protection::step(const StepInput& input) noexcept {
    const Instant now = stepped_ ? std::max(input.now, last_step_) : input.now;
    events_.clear();
    if (!stepped_) {
        began_ = now;
        report(EventKind::started, no_source, now);
    }
    auto& until = commissioning_until_;
    if (until && now >= *until) {
        until.reset();
        report(EventKind::commissioning_over, no_source, now);
    }
    const auto objection = std::find_if(input.commands.begin(), input.commands.end(),
                                        [](const Command& c) { return c.kind == CommandKind::objected; });
    const bool objected = objection != input.commands.end();
    if (objected) permit_ = false;  // decided here, and the line never heard of it
    const bool slept = input.suspended > plan_.interlock.guard_deadline;
    if (slept) measurement_.wake(now);
    conditions_[source_of(plan_, Builtin::reflected_exceeds_forward)] =
        Condition::missed;  // each other one is set below
    limits_.begin_step();

    limits_.see_what_is_in_force(look(now));  // time ends a commissioning, and settles the supply
    for (const Scan& scan : input.scans) {
        measurement_.absorb(scan, now, transmission_.rf_present());
        judge_bracket(now);
        judge_news(now);
    }
    measurement_.grow_old(now);
    if (measurement_.forecast(now, transmission_.since(), look(now).moment())) judge_news(now);
    limits_.judge_others(look(now), events_);
    std::copy(limits_.conditions().begin(), limits_.conditions().end(), conditions_.begin());
    report_sensors(now);
    judge_channels();
    transmission_.step(now, measurement_.rf(), events_);
    supervise(input, slept, now);
    commission(input.commands, now);
    limits_.see_what_is_in_force(look(now));

    const bool free = interlock_.step(
        now, conditions_, plan_.supervision.continuous_drive || measurement_.drive_absent(), input.commands, events_);
    const SourceIndex forced = proof_.forced();  // as it was when the limits were judged
    const bool for_proof = prove(input, now);
    permit_ = (free || for_proof) && !plan_.supervision.monitor_only;
    release_.step(now, permit_, transmission_.rf_present(), measurement_.rf_absent(),
                  measurement_.role(plan_.roles.forward));
    fill_in_events(forced, objected ? objection->limit : no_source, input.suspended);
    if (slept) measurement_.forget_readings();  // after the cause itself has its event
    last_step_ = now;
    stepped_ = true;
    ++snapshot_.sequence;
    shown_ = false;

    Instant wake_at = std::min({interlock_.due(), proof_.due(now, forced_due()), limits_.due()});
    if (until) wake_at = std::min(wake_at, *until);
    return {.permit = permit_, .contactor = supervision_.contactor_closed(), .wake_at = wake_at};
}

// ---- quantities to conditions ----------------------------------------------------------------------------------

// Reflected power that no load gives, by two timers: where ratios mean something, and slower at every power.
void Protection::judge_bracket(Instant now) noexcept {
    const auto& look = measurement_.bracket();
    if (!look) return;
    measurable_ = look->state == BracketState::measurable;
    Verdict verdict = Verdict::missed;
    if (look->state == BracketState::not_measurable) verdict = Verdict::rest;
    if (measurable_)
        verdict = look->bracket.reflected.value >= bracket_forward_w(look->bracket) ? Verdict::outside : Verdict::clear;
    const SourceIndex exceeds = source_of(plan_, Builtin::reflected_exceeds_forward);
    fold(exceeds, reflected_timer_.update(now, verdict));
    fold(exceeds, swapped_timer_.update(now, reflected_exceeds(plan_.rf, look->bracket)));
}

Limits::Look Protection::look(Instant now) const noexcept {
    return {.now = now,
            .measurement = measurement_,
            .proof = proof_,
            .commissioning = commissioning_until_.has_value(),
            .supplied = supervision_.supplied(now)};
}

void Protection::judge_news(Instant now) noexcept {
    limits_.judge_news(look(now), events_);
    measurement_.no_news();
}

void Protection::fold(std::size_t source, Condition condition) noexcept {
    conditions_[source] = worse(conditions_[source], condition);
}

// A channel that a limit watches inhibits through that limit; the others through their own source.
void Protection::judge_channels() noexcept {
    const std::span own{conditions_.data() + plan_.limits.size(), plan_.channels.size()};
    for (std::size_t i = 0; i < own.size(); ++i) {
        const bool silent = !plan_.channels[i].required || watched_[i] != 0;
        const bool known = measurement_.quantities()[i].health != Health::unknown;
        own[i] = silent || known ? Condition::clear : Condition::unknown;
    }
}

void Protection::supervise(const StepInput& input, bool slept, Instant now) noexcept {
    const Roles& r = plan_.roles;
    const auto told = [&](CommandKind kind) {
        return std::any_of(input.commands.begin(), input.commands.end(),
                           [&](const Command& c) { return c.kind == kind; });
    };
    const auto latched = [&](Builtin which) { return interlock_.causes()[source_of(plan_, which)].latched; };
    const bool was_closed = supervision_.contactor_closed();
    std::optional<Reading> all_currents;
    if (!r.more_feeds.empty()) all_currents = measurement_.all_currents();
    const auto& conditions =
        supervision_.judge({.now = now,
                            .permit = permit_,
                            .starting = interlock_.starting(),
                            .line = input.line,
                            .contactor_line = input.contactor,
                            .forward = measurement_.role(r.forward),
                            .reflected = measurement_.role(r.reflected),
                            .drive = measurement_.role(r.drive),
                            .current = all_currents ? &*all_currents : measurement_.role(r.current),
                            .heatsink = measurement_.role(r.heatsink),
                            .enable_sense = measurement_.role(r.enable_sense),
                            .contactor_sense = measurement_.role(r.contactor_sense),
                            .dc_power = measurement_.known(Derived::dc_power),
                            .heat = measurement_.known(Derived::heat),
                            .ratios_measurable = measurable_,
                            .commissioning = commissioning_until_.has_value(),
                            .drop_supply = proof_.opens_contactor(),
                            .start_noted = told(CommandKind::noted),
                            .objected = told(CommandKind::objected),
                            .suspended = slept,
                            .alarm_latched = latched(Builtin::line_mismatch) || latched(Builtin::enable_mismatch) ||
                                             latched(Builtin::rf_while_inhibited),
                            .transmitting_since = transmission_.since()});
    // Of these the brackets alone have told before.
    const SourceIndex exceeds = source_of(plan_, Builtin::reflected_exceeds_forward);
    const Condition of_brackets = conditions_[exceeds];
    std::copy(conditions.begin(), conditions.end(), conditions_.begin() + source_of(plan_, Builtin{}));
    fold(exceeds, of_brackets);
    const bool closed = supervision_.contactor_closed();
    if (closed != was_closed) {
        report(closed ? EventKind::contactor_closed : EventKind::contactor_opened,
               source_of(plan_, Builtin::contactor_open), now);
    }
}

Instant Protection::forced_due() const noexcept {
    const SourceIndex limit = proof_.forced();
    return limit != no_source ? limits_.due(limit) : Instant::max();
}

bool Protection::prove(const StepInput& input, Instant now) noexcept {
    if (!proof_.running() && input.commands.empty()) return false;
    const bool drive_measured = plan_.roles.drive.has_value();
    const bool contactor_seen = plan_.supervision.contactor && plan_.roles.contactor_sense.has_value();
    return proof_.step({.now = now,
                        .line = input.line,
                        .commissioning = commissioning_until_.has_value(),
                        .held = interlock_.memory().held_locally,
                        .only_held = interlock_.only_held_locally(),
                        .rf_absent = measurement_.rf_absent(),
                        .no_drive = drive_measured ? measurement_.drive_absent() : contactor_seen,
                        .contactor_open = supervision_.unsupplied(now),
                        .enable_sense = measurement_.role(plan_.roles.enable_sense),
                        .causes = interlock_.causes(),
                        .limit_due = forced_due()},
                       input.commands, events_);
}

// Acts from the next step on, so that no command permits in its own.
void Protection::commission(std::span<const Command> commands, Instant now) noexcept {
    const auto& length = plan_.supervision.commissioning;
    auto& until = commissioning_until_;
    for (const Command& command : commands) {
        const bool begins = command.kind == CommandKind::commission;
        if (!begins && command.kind != CommandKind::end_commissioning) continue;
        const bool allowed = command.origin == Origin::local && (begins ? length.has_value() : until.has_value());
        if (allowed) until = begins ? std::optional{now + *length} : std::nullopt;
        const EventKind kind = !allowed ? EventKind::refused
                               : begins ? EventKind::commissioning
                                        : EventKind::commissioning_over;
        events_.add(
            {.at = now, .kind = kind, .origin = command.origin, .command = command.kind, .command_id = command.id});
    }
}

// ---- what is told ----------------------------------------------------------------------------------------------

void Protection::report(EventKind kind, SourceIndex source, Instant now) noexcept {
    events_.add({.at = now, .kind = kind, .source = source});
}

void Protection::report_sensors(Instant now) noexcept {
    for (std::size_t i = 0; i < plan_.channels.size(); ++i) {
        const bool lost = measurement_.quantities()[i].health == Health::unknown;
        ChannelCount& count = measurement_.count(i);
        // One that was never read is told of as well, once the others have had time to wake up: while something else
        // keeps the line at inhibit nothing else would.
        const bool never_read =
            lost && count.lost && !count.told && began_ && now - *began_ > plan_.channels[i].allowed_age + wakes_within;
        if (lost == count.lost && !never_read) continue;
        count.lost = lost;
        const auto source = static_cast<SourceIndex>(plan_.limits.size() + i);
        if (lost)
            report(EventKind::sensor_lost, source, now);
        else if (count.told)
            report(EventKind::sensor_back, source, now);
        count.told = lost;
    }
}

void Protection::fill_in_events(SourceIndex forced, SourceIndex objection, Duration suspended) noexcept {
    for (Event& event : events_.all()) {
        if (event.kind == EventKind::started) event.reading.value = unclean_start_ ? 1.0 : 0.0;
        if (const Reading* forward = measurement_.role(plan_.roles.forward);
            forward != nullptr && (event.kind == EventKind::rf_on || event.kind == EventKind::rf_off)) {
            event.reading = *forward;
        }
        if (event.source == no_source) continue;
        if (event.source == source_of(plan_, Builtin::second_opinion)) event.about = objection;
        if (event.source == source_of(plan_, Builtin::suspended)) event.reading.value = seconds(suspended);
        const SourceInfo info = describe_source(plan_, event.about != no_source ? event.about : event.source);
        if (info.kind == SourceInfo::Kind::channel) event.reading = measurement_.quantities()[info.index];
        if (info.kind != SourceInfo::Kind::limit) continue;
        const LimitPlan& limit = plan_.limits[info.index];
        const bool warning = event.kind == EventKind::warning || event.kind == EventKind::warning_over;
        event.reading = measurement_.quantities()[limit.watch];
        event.level = warning && limit.warn ? *limit.warn : limit.trip;
        const bool of_trip =
            event.kind == EventKind::tripped || event.kind == EventKind::latched || event.kind == EventKind::cleared;
        event.forced = of_trip && event.source == forced;
        if (event.forced && event.kind == EventKind::tripped) event.reading = injected_reading(limit, event.at);
    }
}

const Snapshot& Protection::snapshot() noexcept {
    if (!std::exchange(shown_, true)) publish();
    return snapshot_;
}

void Protection::publish() noexcept {
    measurement_.show();
    snapshot_.now = last_step_;
    snapshot_.permit = permit_;
    snapshot_.rf_present = transmission_.rf_present();
    snapshot_.transmitting_since = transmission_.since();
    snapshot_.commissioning_until = commissioning_until_;
    snapshot_.monitor_only = plan_.supervision.monitor_only;
    snapshot_.contactor_closed = supervision_.contactor_closed();
    snapshot_.overruns = supervision_.overruns();
    snapshot_.state = interlock_.state();
    snapshot_.drive_awaited = interlock_.awaits_no_drive() && !measurement_.drive_absent();
    snapshot_.proof = proof_.view();
    snapshot_.release = release_.last();
    std::copy(measurement_.quantities().begin(), measurement_.quantities().end(), snapshot_.quantities.begin());
    std::copy(measurement_.counts().begin(), measurement_.counts().end(), snapshot_.channels.begin());
    std::copy(interlock_.causes().begin(), interlock_.causes().end(), snapshot_.causes.begin());
    std::copy(limits_.warnings().begin(), limits_.warnings().end(), snapshot_.warnings.begin());
    const std::span<const Standing> stands = limits_.standing_at(look(last_step_).moment());
    std::copy(stands.begin(), stands.end(), snapshot_.standing.begin());
    snapshot_.memory = interlock_.memory();
    snapshot_.settled_since = interlock_.settled_since();
    snapshot_.events_dropped = events_.dropped();
}

}  // namespace dekeyd::core
