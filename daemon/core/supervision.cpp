#include "core/supervision.hpp"

#include <algorithm>
#include <cmath>

namespace dekeyd::core {

Supervision::Supervision(const Plan& plan, bool start_noted) noexcept
    : plan_{plan},
      enable_{plan.rf.edge_time},
      rf_{plan.rf.edge_time},
      drive_{plan.plausibility.qualify},
      current_{plan.plausibility.qualify},
      efficiency_{plan.plausibility.qualify},
      floor_{plan.plausibility.qualify},
      heat_{Duration::zero()},
      calibration_pending_{
          std::any_of(plan.channels.begin(), plan.channels.end(),
                      [](const Channel& channel) { return channel.power && channel.power->calibration_pending; })},
      start_noted_{start_noted} {
    conditions_.fill(Condition::unknown);
}

const std::array<Condition, builtin_count>& Supervision::judge(const Situation& s) noexcept {
    if (!stepped_ || s.permit != permit_) permit_changed_ = s.now;
    set(Builtin::overrun, overrun(s));
    if (!stepped_) {
        // A rule whose readings never come rests: a required channel's own source speaks for it. RF while inhibited
        // doesn't rest: forward must have been seen once.
        for (QualifyTimer* timer : {&drive_, &current_, &efficiency_, &floor_, &heat_})
            timer->update(s.now, Verdict::rest);
    }
    stepped_ = true;
    if (rf_look(plan_.rf, s.forward, nullptr) == RfLook::present) forward_seen_ = s.now;
    permit_ = s.permit;
    last_ = s.now;
    const bool as_written = s.line.permit == s.permit;
    set(Builtin::line_mismatch, !s.line.known ? Condition::unknown : as_written ? Condition::clear : Condition::bad);
    set(Builtin::enable_mismatch, enable_.update(s.now, enable(s)));
    set(Builtin::rf_while_inhibited, rf_.update(s.now, rf_while_inhibited(s)));
    const bool both = s.forward != nullptr && s.reflected != nullptr;
    set(Builtin::reflected_exceeds_forward, both ? Condition::missed : Condition::clear);
    set(Builtin::drive_without_forward, drive_.update(s.now, drive_without_forward(s)));
    set(Builtin::current_without_forward, current_.update(s.now, current_without_forward(s)));
    set(Builtin::rf_without_current, efficiency_.update(s.now, rf_without_current(s)));
    set(Builtin::reflected_on_floor, floor_.update(s.now, reflected_on_floor(s)));
    set(Builtin::heat_without_rise, heat_.update(s.now, heat_without_rise(s)));
    set(Builtin::longest_transmission, longest_transmission(s));
    set(Builtin::uncalibrated, uncalibrated(s));
    set(Builtin::contactor_line_mismatch, contactor_line(s));
    see_contactor(s);
    set(Builtin::contactor_open, contactor(s));
    start_noted_ = start_noted_ || s.start_noted;
    set(Builtin::start_not_stored, start_noted_ ? Condition::clear : s.starting ? Condition::band : Condition::bad);
    set(Builtin::second_opinion, s.objected ? Condition::bad : Condition::clear);
    set(Builtin::suspended, s.suspended ? Condition::bad : Condition::clear);
    return conditions_;
}

Condition Supervision::overrun(const Situation& s) noexcept {
    const bool late = stepped_ && s.now - last_ > plan_.interlock.guard_deadline;
    overruns_ += late ? 1 : 0;
    overruns_running_ = late ? overruns_running_ + 1 : 0;
    return overruns_running_ >= plan_.interlock.overruns_in_a_row ? Condition::bad : Condition::clear;
}

RfLook Supervision::rf(const Situation& s) const noexcept {
    return rf_look(plan_.rf, s.forward, s.reflected);
}

/// For what contradicts forward: RF that reflected sees is no excuse of a forward detector that doesn't.
bool Supervision::forward_absent(const Situation& s) const noexcept {
    return rf_look(plan_.rf, s.forward, nullptr) == RfLook::absent;
}

bool Supervision::settled(const Situation& s) const noexcept {
    return s.now - permit_changed_ >= plan_.plausibility.switching_time;
}

// The contact's own voltage tells what the pad can't: a welded relay, an opto-coupler that failed short.
Verdict Supervision::enable(const Situation& s) const noexcept {
    if (s.enable_sense == nullptr) return Verdict::rest;
    if (s.enable_sense->health != Health::good) return Verdict::unknown;
    const bool enabled = s.enable_sense->value >= 0.5;
    if (enabled == s.permit) return Verdict::clear;
    return s.now - permit_changed_ <= plan_.rf.release_time ? Verdict::missed : Verdict::outside;
}

Verdict Supervision::rf_while_inhibited(const Situation& s) const noexcept {
    // In monitor-only mode a labelled bypass carries the enable: RF is not ours to forbid.
    if (s.permit || plan_.supervision.monitor_only || s.forward == nullptr) return Verdict::rest;
    const Instant released = permit_changed_ + plan_.rf.release_time;
    const auto of_before = [&](const Reading* r) {
        return r != nullptr && r->health != Health::unknown && r->taken <= released;
    };
    if (of_before(s.forward) || of_before(s.reflected)) return Verdict::rest;
    if (const RfLook look = rf(s); look != RfLook::unknown)
        return look == RfLook::absent ? Verdict::clear : Verdict::outside;
    // RF can't be told: current that flows only with RF tells the same.
    if (s.current == nullptr || !s.current->measured() || !plan_.plausibility.current_with_rf_a) return Verdict::missed;
    if (of_before(s.current)) return Verdict::rest;
    return s.current->value < *plan_.plausibility.current_with_rf_a ? Verdict::clear : Verdict::outside;
}

Verdict Supervision::drive_without_forward(const Situation& s) const noexcept {
    if (s.drive == nullptr || s.forward == nullptr || !plan_.rf.small_signal_gain_db) return Verdict::rest;
    if (!s.permit || !settled(s)) return Verdict::rest;
    if (s.drive->health != Health::good || !s.forward->measured()) return Verdict::missed;
    // Ten decibels below the small-signal gain is a dead amplifier or a lost forward cable, not compression.
    const double least_w = s.drive->value * std::pow(10.0, (*plan_.rf.small_signal_gain_db - 10.0) / 10.0);
    if (!(least_w >= plan_.rf.minimum_forward_w)) return Verdict::rest;
    return forward_absent(s) ? Verdict::outside : Verdict::clear;
}

Verdict Supervision::current_without_forward(const Situation& s) const noexcept {
    if (s.current == nullptr || s.forward == nullptr || !plan_.plausibility.current_with_rf_a) return Verdict::rest;
    if (!s.permit || !settled(s)) return Verdict::rest;
    if (!s.current->measured() || !s.forward->measured()) return Verdict::missed;
    if (s.current->value < *plan_.plausibility.current_with_rf_a || !forward_absent(s)) return Verdict::clear;
    // Current is a mean, and older than forward: in a gap of the keying it is still that of the sign before.
    const bool of_before = forward_seen_ && s.current->taken - *forward_seen_ <= plan_.plausibility.switching_time;
    return of_before ? Verdict::missed : Verdict::outside;
}

Verdict Supervision::rf_without_current(const Situation& s) const noexcept {
    if (s.dc_power == nullptr || s.forward == nullptr) return Verdict::rest;
    if (!s.dc_power->measured() || !s.forward->measured()) return Verdict::missed;
    if (s.forward->value < plan_.rf.minimum_forward_w || s.forward->health != Health::good) return Verdict::rest;
    // Both readings have their uncertainty; an amplifier far beyond 100 % efficiency has a dead current sensor.
    constexpr double impossible = 1.5;
    return s.forward->value > impossible * s.dc_power->value ? Verdict::outside : Verdict::clear;
}

Verdict Supervision::reflected_on_floor(const Situation& s) const noexcept {
    if (s.reflected == nullptr || s.forward == nullptr || !plan_.plausibility.best_return_loss_db) return Verdict::rest;
    if (!s.ratios_measurable) return Verdict::rest;
    if (s.reflected->health == Health::unknown || s.forward->health != Health::good) return Verdict::missed;
    const double least_w = s.forward->value * std::pow(10.0, -*plan_.plausibility.best_return_loss_db / 10.0);
    // On its floor it is that at most; where even the best load couldn't be seen, that says nothing.
    return s.reflected->value < least_w ? Verdict::outside : Verdict::clear;
}

Verdict Supervision::heat_without_rise(const Situation& s) noexcept {
    const PlausibilityPlan& rule = plan_.plausibility;
    if (s.heat == nullptr || s.heatsink == nullptr || !rule.heating_w) return Verdict::rest;
    if (!s.heat->measured() || s.heatsink->health != Health::good) return Verdict::missed;
    const bool heats = s.heat->value >= *rule.heating_w;
    if (!heat_changed_) heat_changed_ = s.now;  // of a rest before the start nothing is known
    if (heats != heating_) {
        rested_ = heats && s.now - *heat_changed_ >= rule.heating_time;
        heating_ = heats;
        heat_changed_ = s.now;
        heating_from_c_ = s.heatsink->value;
    }
    if (!heating_ || !rested_) return Verdict::rest;
    if (s.heatsink->value - heating_from_c_ >= rule.heating_rise_k) {
        rested_ = false;  // it rose: this heating is accounted for
        return Verdict::clear;
    }
    return s.now - *heat_changed_ >= rule.heating_time ? Verdict::outside : Verdict::clear;
}

Condition Supervision::longest_transmission(const Situation& s) const noexcept {
    const auto& longest = plan_.supervision.longest_transmission;
    if (!longest || !s.transmitting_since) return Condition::clear;
    return s.now - *s.transmitting_since >= *longest ? Condition::bad : Condition::clear;
}

bool Supervision::supplied(Instant now) const noexcept {
    if (!plan_.supervision.contactor) return true;
    return contactor_closed_ && now - contactor_changed_ >= plan_.supervision.contactor_time;
}

// A power that was never compared with a reference decides nothing at full power.
Condition Supervision::uncalibrated(const Situation& s) const noexcept {
    return calibration_pending_ && !s.commissioning ? Condition::bad : Condition::clear;
}

bool Supervision::unsupplied(Instant now) const noexcept {
    return seen_open_ && now - *seen_open_ >= plan_.supervision.contactor_time;
}

Condition Supervision::contactor_line(const Situation& s) const noexcept {
    if (!plan_.supervision.contactor) return Condition::clear;
    if (!s.contactor_line.known) return Condition::unknown;
    return s.contactor_line.permit == contactor_closed_ ? Condition::clear : Condition::bad;
}

// The pad says what the coil was told. What the contacts did only a contact that moves with them can tell.
void Supervision::see_contactor(const Situation& s) noexcept {
    const Reading* const sense = plan_.supervision.contactor ? s.contactor_sense : nullptr;
    const bool seen = sense != nullptr && sense->health == Health::good;
    const bool open = seen && sense->value >= 0.5;
    const bool after_order = seen && sense->taken > contactor_changed_;
    Condition obeyed = Condition::clear;
    if (sense != nullptr && !seen) {
        obeyed = Condition::unknown;
    } else if (seen && !after_order) {
        obeyed = Condition::missed;
    } else if (seen && open == contactor_closed_) {
        // By looks alone, so that one that waits for the next doesn't count as a long contradiction.
        if (!disobeys_since_) disobeys_since_ = sense->taken;
        const bool too_long = sense->taken - *disobeys_since_ >= plan_.supervision.contactor_time;
        obeyed = too_long ? Condition::bad : Condition::band;
    } else {
        disobeys_since_.reset();
    }
    set(Builtin::contactor_stuck_closed, contactor_closed_ ? Condition::clear : obeyed);
    set(Builtin::contactor_stuck_open, contactor_closed_ ? obeyed : Condition::clear);
    if (!open || contactor_closed_)
        seen_open_.reset();
    else if (!seen_open_ && after_order)
        seen_open_ = s.now;
}

Condition Supervision::contactor(const Situation& s) noexcept {
    if (!plan_.supervision.contactor) return Condition::clear;
    const auto failed = [&](Builtin which) {
        const Condition c = get(which);
        return c == Condition::bad || c == Condition::unknown;
    };
    const bool alarm =
        failed(Builtin::line_mismatch) || failed(Builtin::enable_mismatch) || failed(Builtin::rf_while_inhibited);
    // Before it closes, contacts that are seen must have been seen open: a start finds a welded one, too.
    const bool opens = s.contactor_sense == nullptr || seen_open_;
    // Not into a relay that is still stuck: an operator's reset comes first, or it would open and close with each key.
    const bool may_close =
        !alarm && !s.alarm_latched && opens && !s.permit && s.line.known && !s.line.permit && rf(s) == RfLook::absent;
    const bool was_closed = contactor_closed_;
    if (alarm || s.drop_supply)
        contactor_closed_ = false;
    else if (may_close)
        contactor_closed_ = true;
    if (contactor_closed_ != was_closed) {
        contactor_changed_ = s.now;
        seen_open_.reset();
        disobeys_since_.reset();
    }
    if (s.drop_supply) return alarm ? Condition::bad : Condition::band;
    if (supplied(s.now)) return Condition::clear;
    // Waiting for the first closing is part of starting; later an open contactor is a cause.
    return s.starting ? Condition::band : Condition::bad;
}

}  // namespace dekeyd::core
