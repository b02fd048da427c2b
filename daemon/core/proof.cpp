#include "core/proof.hpp"

#include <algorithm>
#include <cmath>

#include "core/protection.hpp"

namespace dekeyd::core {

Reading injected_reading(const LimitPlan& limit, Instant now) noexcept {
    const double beyond = std::max(std::abs(limit.trip) * 0.01, 1e-6);
    const double value = limit.direction == Direction::above ? limit.trip + beyond : limit.trip - beyond;
    return {.value = value, .low = value, .high = value, .health = Health::good, .fault = Fault::none, .taken = now};
}

Proof::Proof(const Plan& plan) : plan_{plan}, proved_(plan.limits.size()) {}

bool Proof::provable(const LimitPlan& limit) noexcept {
    return limit.trips && limit.qualify + longest_permit <= longest_injection;
}

ProofView Proof::view() const noexcept {
    return {.phase = phase_,
            .limit = limit_,
            .injects = injecting_,
            .injected = injecting_ ? injected_reading(plan_.limits[limit_], {}).value : 0.0,
            .line_proved = line_proved_};
}

bool Proof::step(const ProofInput& in, std::span<const Command> commands, EventList& events) noexcept {
    if (running()) watch(in, events);
    if (phase_ == ProofPhase::line) drive_line(in, events);
    if (phase_ == ProofPhase::limit) force_limit(in, events);
    const bool permit = permit_ && safe(in);
    for (const Command& command : commands) obey(in, command, events);
    return permit && permit_;
}

// ---- what ends it ----------------------------------------------------------------------------------------------

ProofEnd Proof::against(const ProofInput& in) const noexcept {
    if (plan_.supervision.monitor_only) return ProofEnd::monitor_only;
    if (in.commissioning) return ProofEnd::commissioning;
    if (!in.held) return ProofEnd::not_held;
    if (!in.rf_absent) return ProofEnd::rf_present;
    if (!in.no_drive) return ProofEnd::drive_present;
    return ProofEnd::none;
}

// The forced limit's own trip is the test's doing. Everything else that inhibits, hold aside, is a cause.
SourceIndex Proof::other_cause(const ProofInput& in) const noexcept {
    for (std::size_t i = 0; i < in.causes.size(); ++i) {
        if (in.causes[i].active && !(forced_ && i == limit_)) return static_cast<SourceIndex>(i);
    }
    return no_source;
}

bool Proof::safe(const ProofInput& in) const noexcept {
    return in.only_held && against(in) == ProofEnd::none && (plan_.roles.drive || in.contactor_open);
}

void Proof::watch(const ProofInput& in, EventList& events) noexcept {
    if (const ProofEnd why = against(in); why != ProofEnd::none) return end(in.now, why, no_source, events);
    if (const SourceIndex source = other_cause(in); source != no_source) {
        return end(in.now, ProofEnd::cause, source, events);
    }
    // Once the forced trip is seen to be gone, this limit is like any other again: its next trip is a real one.
    if (forced_ && phase_ == ProofPhase::ready) {
        const Cause& cause = in.causes[limit_];
        forced_ = cause.active || cause.condition != Condition::clear;
    }
    const bool forced_stands = forced_ && in.causes[limit_].active;
    if (!in.only_held && !forced_stands) return end(in.now, ProofEnd::cause, no_source, events);
    if (phase_ == ProofPhase::ready && in.now - heard_ >= life) end(in.now, ProofEnd::expired, no_source, events);
}

void Proof::end(Instant now, ProofEnd why, SourceIndex source, EventList& events) noexcept {
    const bool answers = phase_ == ProofPhase::line || phase_ == ProofPhase::limit;
    const Command last{.kind = CommandKind::prove_end, .origin = Origin::local, .id = answers ? command_ : 0};
    phase_ = ProofPhase::none;
    permit_ = injecting_ = forced_ = false;
    answer(now, EventKind::proof_ended, last, why, source, events);
}

void Proof::end_part(Instant now, EventKind kind, ProofEnd why, EventList& events) noexcept {
    const SourceIndex source = kind == EventKind::proof_limit ? limit_ : no_source;
    permit_ = injecting_ = false;
    phase_ = ProofPhase::ready;
    heard_ = now;
    answer(now, kind, {.kind = CommandKind::prove, .origin = Origin::local, .id = command_}, why, source, events);
}

void Proof::answer(Instant now, EventKind kind, const Command& command, ProofEnd why, SourceIndex source,
                   EventList& events) const noexcept {
    events.add({.at = now,
                .kind = kind,
                .source = source,
                .origin = command.origin,
                .command = command.kind,
                .command_id = command.id,
                .why = why,
                .times = times_});
}

// ---- the line, both ways ---------------------------------------------------------------------------------------

void Proof::drive_line(const ProofInput& in, EventList& events) noexcept {
    const auto reads = [&](bool permit) { return in.line.known && in.line.permit == permit; };
    const auto senses = [&](bool closed, Instant after) {
        return in.enable_sense->health == Health::good && in.enable_sense->taken > after &&
               (in.enable_sense->value >= 0.5) == closed;
    };
    const bool late = in.now - changed_ >= answer_time;
    switch (stage_) {
        case Stage::raise:
            if (!permit_) {
                permit_ = true;
                at_ = changed_ = in.now;
                return;
            }
            if (reads(true)) {
                times_.line_on = in.now - at_;
                stage_ = Stage::up;
                changed_ = in.now;
            } else if (late) {
                end_part(in.now, EventKind::proof_line, ProofEnd::line_silent, events);
            }
            return;
        case Stage::up:
            if (in.enable_sense != nullptr ? senses(true, at_) : in.now - changed_ >= pulse) {
                if (in.enable_sense != nullptr) times_.contact_on = in.enable_sense->taken - at_;
                permit_ = false;
                stage_ = Stage::lower;
                changed_ = in.now;
            } else if (in.enable_sense != nullptr && late) {
                end_part(in.now, EventKind::proof_line, ProofEnd::contact_silent, events);
            }
            return;
        case Stage::lower:
            if (reads(false) && times_.line_off == Duration::zero()) times_.line_off = in.now - changed_;
            if (times_.line_off != Duration::zero() && (in.enable_sense == nullptr || senses(false, changed_))) {
                if (in.enable_sense != nullptr) times_.contact_off = in.enable_sense->taken - changed_;
                line_proved_ = true;
                end_part(in.now, EventKind::proof_line, ProofEnd::passed, events);
            } else if (late) {
                const bool silent = times_.line_off == Duration::zero();
                end_part(in.now, EventKind::proof_line, silent ? ProofEnd::line_silent : ProofEnd::contact_silent,
                         events);
            }
            return;
    }
}

// ---- one limit -------------------------------------------------------------------------------------------------

// A limit that qualifies quickly is forced with the line at permit already; a slow one is forced at inhibit, and the
// line goes to permit shortly before it trips, so that it is never there for longer than needed.
void Proof::force_limit(const ProofInput& in, EventList& events) noexcept {
    const auto failed = [&](ProofEnd why) { end_part(in.now, EventKind::proof_limit, why, events); };
    const bool reads_permit = in.line.known && in.line.permit;
    const bool tripped = in.causes[limit_].active;
    switch (stage_) {
        case Stage::raise:
            if (plan_.limits[limit_].qualify > lead) {
                stage_ = Stage::up;
                injecting_ = forced_ = true;
                at_ = in.now;
            } else if (!permit_) {
                permit_ = true;
                changed_ = in.now;
            } else if (reads_permit) {
                stage_ = Stage::up;
                injecting_ = forced_ = seen_up_ = true;
                at_ = in.now;
            } else if (in.now - changed_ >= answer_time) {
                failed(ProofEnd::line_silent);
            }
            return;
        case Stage::up:
            seen_up_ = seen_up_ || (permit_ && reads_permit);
            if (tripped) {
                permit_ = injecting_ = false;
                stage_ = Stage::lower;
                changed_ = in.now;
            } else if (in.now - at_ >= longest_injection || (permit_ && in.now - changed_ >= longest_permit)) {
                failed(ProofEnd::not_tripped);
            } else if (!permit_ && in.limit_due != Instant::max() && in.limit_due - in.now <= lead) {
                permit_ = true;
                changed_ = in.now;
            }
            return;
        case Stage::lower:
            if (in.line.known && !in.line.permit) {
                times_.line_off = in.now - at_;
                if (seen_up_) proved_[limit_] = 1;
                end_part(in.now, EventKind::proof_limit, seen_up_ ? ProofEnd::passed : ProofEnd::line_silent, events);
            } else if (in.now - changed_ >= answer_time) {
                failed(ProofEnd::line_silent);
            }
            return;
    }
}

void Proof::mend() noexcept {
    if (limit_ < plan_.limits.size()) return;
    phase_ = ProofPhase::none;
    permit_ = injecting_ = forced_ = false;
}

Instant Proof::due(Instant now, Instant limit_due) const noexcept {
    constexpr Duration soon = std::chrono::milliseconds{1};  // the read-back comes with the next step
    switch (phase_) {
        case ProofPhase::none:
        case ProofPhase::ready: return Instant::max();
        case ProofPhase::line: return stage_ == Stage::up && plan_.roles.enable_sense ? now + lead : now + soon;
        case ProofPhase::limit: break;
    }
    if (stage_ != Stage::up || permit_) return now + soon;
    return limit_due == Instant::max() ? limit_due : std::max(limit_due - lead, now + soon);
}

// ---- orders ----------------------------------------------------------------------------------------------------

SourceIndex Proof::unproved() const noexcept {
    for (std::size_t i = 0; i < plan_.limits.size(); ++i) {
        if (provable(plan_.limits[i]) && proved_[i] == 0) return static_cast<SourceIndex>(i);
    }
    return no_source;
}

void Proof::begin_part(ProofPhase phase, const Command& command) noexcept {
    phase_ = phase;
    stage_ = Stage::raise;
    permit_ = injecting_ = forced_ = seen_up_ = false;
    command_ = command.id;
    limit_ = command.limit;
    // Also after earlier successes: a limit that fails now is not proved.
    if (phase == ProofPhase::limit) proved_[limit_] = 0;
    if (phase == ProofPhase::line) line_proved_ = false;
    times_ = {};
}

void Proof::obey(const ProofInput& in, const Command& command, EventList& events) noexcept {
    const auto refuse = [&](ProofEnd why, SourceIndex source = no_source) {
        answer(in.now, EventKind::refused, command, why, source, events);
    };
    switch (command.kind) {
        case CommandKind::hold:
        case CommandKind::release:
        case CommandKind::reset:
        case CommandKind::commission:
        case CommandKind::end_commissioning:
        case CommandKind::noted:
        case CommandKind::objected: return;
        case CommandKind::prove:
        case CommandKind::prove_line:
        case CommandKind::prove_limit:
        case CommandKind::prove_passed:
        case CommandKind::prove_end: break;
    }
    times_ = running() ? times_ : ProofTimes{};
    if (command.origin != Origin::local) return refuse(ProofEnd::not_local);
    heard_ = in.now;
    if (command.kind == CommandKind::prove_end) {
        if (!running()) return refuse(ProofEnd::not_begun);
        if (phase_ != ProofPhase::ready) end(in.now, ProofEnd::left, no_source, events);  // answers the part's order
        phase_ = ProofPhase::none;
        return answer(in.now, EventKind::proof_ended, command, ProofEnd::left, no_source, events);
    }
    if (command.kind == CommandKind::prove) {
        if (running()) return refuse(ProofEnd::busy);
        if (const ProofEnd why = against(in); why != ProofEnd::none) return refuse(why);
        if (!in.only_held) return refuse(ProofEnd::cause, other_cause(in));
        std::fill(proved_.begin(), proved_.end(), std::uint8_t{0});
        line_proved_ = forced_ = false;
        phase_ = ProofPhase::ready;
        return answer(in.now, EventKind::proof_begun, command, ProofEnd::none, no_source, events);
    }
    if (!running()) return refuse(ProofEnd::not_begun);
    if (phase_ != ProofPhase::ready) return refuse(ProofEnd::busy);
    if (command.kind == CommandKind::prove_passed) {
        const SourceIndex missing = unproved();
        if (!line_proved_ || missing != no_source) return refuse(ProofEnd::unfinished, missing);
        phase_ = ProofPhase::none;
        return answer(in.now, EventKind::proof_passed, command, ProofEnd::passed, no_source, events);
    }
    if (!in.only_held) {
        return refuse(ProofEnd::cause, forced_ ? limit_ : no_source);
    }
    if (!safe(in)) return refuse(ProofEnd::supplied);
    if (command.kind == CommandKind::prove_line) return begin_part(ProofPhase::line, command);
    const bool there = command.limit < plan_.limits.size();
    if (!there || !provable(plan_.limits[command.limit])) return refuse(ProofEnd::unprovable);
    begin_part(ProofPhase::limit, command);
}

// ---- the release time ------------------------------------------------------------------------------------------

void ReleaseWatch::step(Instant now, bool permit, bool rf_present, bool rf_absent, const Reading* forward) noexcept {
    if (permit)
        since_.reset();
    else if (permit_ && rf_present)
        since_ = now;
    permit_ = permit;
    if (!since_ || !rf_absent || forward == nullptr || forward->taken <= *since_) return;
    last_ = forward->taken - *since_;
    since_.reset();
}

}  // namespace dekeyd::core
