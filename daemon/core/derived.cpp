#include "core/derived.hpp"

#include <algorithm>

#include "core/rf.hpp"

namespace dekeyd::core {

namespace {

// Forward readings further apart than this factor are an edge of the keying, not a level.
constexpr double steady_factor = 2.0;

Reading exact(double value, Instant taken) noexcept {
    return {.value = value, .low = value, .high = value, .health = Health::good, .fault = Fault::none, .taken = taken};
}

Reading not_measurable(Instant taken) noexcept {
    return {.health = Health::not_measurable, .fault = Fault::none, .taken = taken};
}

Reading unknown_from(const Reading& a, const Reading& b) noexcept {
    const Reading& culprit = a.measured() ? b : a;
    return {.fault = culprit.fault == Fault::none ? Fault::implausible : culprit.fault,
            .taken = std::min(a.taken, b.taken)};
}

bool has_rf(const RfPlan& rf, const Reading& reading) noexcept {
    return reading.health == Health::good && reading.value > 0.0 && reading.value >= rf.minimum_forward_w;
}

}  // namespace

BracketState judge_bracket(const RfPlan& rf, const Bracket& bracket) noexcept {
    const Reading& before = bracket.forward_before;
    const Reading& after = bracket.forward_after;
    const bool reflected_seen = bracket.reflected.measured() || bracket.reflected.health == Health::above_range;
    if (!before.measured() || !after.measured() || !reflected_seen) return BracketState::edge;
    // By the larger of the two, as the forward reading itself is, so that a gate on it agrees.
    if (!has_rf(rf, before) && !has_rf(rf, after)) return BracketState::not_measurable;
    const double smaller = std::min(before.value, after.value);
    const bool steady = before.health == Health::good && after.health == Health::good && smaller > 0.0 &&
                        std::max(before.value, after.value) <= steady_factor * smaller;
    return steady ? BracketState::measurable : BracketState::edge;
}

double bracket_forward_w(const Bracket& bracket) noexcept {
    return (bracket.forward_before.value + bracket.forward_after.value) / 2.0;
}

Reflections reflections(const RfPlan& rf, const Bracket& bracket, BracketState state) noexcept {
    const Instant taken = bracket.forward_before.taken;
    if (state != BracketState::measurable) {
        const Reading none = not_measurable(taken);
        return {none, none, none, none, none, none, none};
    }
    const double forward_w = bracket_forward_w(bracket);
    const double reflected_w = bracket.reflected.value;
    const double gamma = reflection_from_powers(forward_w, reflected_w);
    ReflectionInterval interval{.low = gamma, .high = gamma, .open_ended = false};
    if (rf.directivity_db) interval = reflection_interval(gamma, *rf.directivity_db);
    // Reflected on its floor: the reflection is at most this. Beyond its ceiling: at least.
    const Health health = bracket.reflected.health;
    if (health == Health::at_floor) interval.low = 0.0;
    if (health == Health::above_range) {
        interval.high = 1.0;
        interval.open_ended = true;
    }
    const double far = reflection_at_far_end(gamma, rf.feeder_loss_db);
    const double far_low = reflection_at_far_end(interval.low, rf.feeder_loss_db);
    const double far_high = reflection_at_far_end(interval.high, rf.feeder_loss_db);

    const auto made = [&](double value, double low, double high) {
        return Reading{
            .value = value, .low = low, .high = high, .health = health, .fault = Fault::none, .taken = taken};
    };
    const double vswr_high = interval.open_ended ? unbounded : vswr_from_reflection(interval.high);
    const double net_w = forward_w - std::min(reflected_w, forward_w);
    const double feeder = watts_from_dbm(-rf.feeder_loss_db) / watts_from_dbm(0.0);
    const double accepted = 1.0 - far * far;
    return {
        .vswr = made(vswr_from_reflection(gamma), vswr_from_reflection(interval.low), vswr_high),
        .reflection = made(gamma, interval.low, interval.high),
        .return_loss = exact(return_loss_db(gamma), taken),
        .mismatch_loss = exact(mismatch_loss_db(gamma), taken),
        .net_power = exact(net_w, taken),
        .antenna_vswr = made(vswr_from_reflection(far), vswr_from_reflection(far_low),
                             interval.open_ended ? unbounded : vswr_from_reflection(far_high)),
        .antenna_power = exact(forward_w * feeder * accepted, taken),
    };
}

Reading gain(const RfPlan& rf, const Reading& forward, const Reading& drive) noexcept {
    if (!forward.measured() || !drive.measured()) return unknown_from(forward, drive);
    const Instant taken = std::min(forward.taken, drive.taken);
    const bool driven = drive.health == Health::good && drive.value >= rf.drive_absent_w;
    if (!has_rf(rf, forward) || !driven) return not_measurable(taken);
    return exact(dbm_from_watts(forward.value) - dbm_from_watts(drive.value), taken);
}

Reading compression(const RfPlan& rf, const Reading& gain_reading) noexcept {
    if (gain_reading.health != Health::good) return gain_reading;
    if (!rf.small_signal_gain_db) return not_measurable(gain_reading.taken);
    return exact(*rf.small_signal_gain_db - gain_reading.value, gain_reading.taken);
}

Reading dc_power(const Reading& supply, const Reading& current) noexcept {
    if (!supply.measured() || !current.measured()) return unknown_from(supply, current);
    return exact(supply.value * current.value, std::min(supply.taken, current.taken));
}

Reading efficiency(const RfPlan& rf, const Reading& forward, const Reading& dc) noexcept {
    if (!forward.measured() || !dc.measured()) return unknown_from(forward, dc);
    const Instant taken = std::min(forward.taken, dc.taken);
    if (!has_rf(rf, forward) || dc.value <= 0.0) return not_measurable(taken);
    return exact(100.0 * forward.value / dc.value, taken);
}

Reading heat(const Reading& dc, const Reading& forward) noexcept {
    if (!forward.measured() || !dc.measured()) return unknown_from(forward, dc);
    const double rf_w = forward.health == Health::good ? forward.value : 0.0;
    return exact(std::max(dc.value - rf_w, 0.0), std::min(forward.taken, dc.taken));
}

}  // namespace dekeyd::core
