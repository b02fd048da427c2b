#include "measure/derived.hpp"

#include <algorithm>
#include <array>

#include "maths/power.hpp"
#include "maths/rf.hpp"
#include "measure/forecast.hpp"

namespace dekeyd::core {

namespace {

// Forward readings further apart than this factor are an edge of the keying, not a level.
constexpr double steady_factor = 2.0;

Reading unknown_from(const Reading& a, const Reading& b) noexcept {
    const Reading& culprit = a.measured() ? b : a;
    return {.fault = culprit.fault == Fault::none ? Fault::implausible : culprit.fault,
            .taken = std::min(a.taken, b.taken)};
}

bool has_rf(const RfPlan& rf, const Reading& reading) noexcept {
    return reading.health == Health::good && reading.value > 0.0 && reading.value >= rf.minimum_forward_w;
}

}  // namespace

RfLook rf_look(const RfPlan& rf, const Reading* forward, const Reading* reflected) noexcept {
    const auto look = [](const Reading* reading, double level_w) {
        if (reading == nullptr) return RfLook::absent;
        if (reading->measured() && reading->value < level_w) return RfLook::absent;
        return reading->measured() || reading->health == Health::above_range ? RfLook::present : RfLook::unknown;
    };
    if (forward == nullptr) return RfLook::unknown;  // on a good load reflected alone sees nothing
    const RfLook by_forward = look(forward, rf.rf_present_w);
    const RfLook by_reflected = look(reflected, rf.reflected_is_rf_w());
    if (by_forward == RfLook::present || by_reflected == RfLook::present) return RfLook::present;
    return by_forward == RfLook::absent ? by_reflected : RfLook::unknown;
}

BracketState bracket_state(const RfPlan& rf, const Bracket& bracket) noexcept {
    const Reading& before = bracket.forward_before;
    const Reading& after = bracket.forward_after;
    const bool reflected_seen = bracket.reflected.measured() || bracket.reflected.health == Health::above_range;
    if (!before.measured() || !after.measured() || !reflected_seen) return BracketState::edge;
    // By the larger of the two, as the forward reading itself is, so that a gate on it agrees.
    if (!has_rf(rf, before) && !has_rf(rf, after)) return BracketState::not_measurable;
    const double smaller = std::min(before.value, after.value);
    const bool steady = before.health == Health::good && after.health == Health::good &&
                        std::max(before.value, after.value) <= steady_factor * smaller;
    return steady ? BracketState::measurable : BracketState::edge;
}

Verdict reflected_exceeds(const RfPlan& rf, const Bracket& bracket) noexcept {
    const Reading& before = bracket.forward_before;
    const Reading& after = bracket.forward_after;
    const Reading& reflected = bracket.reflected;
    if (reflected.health == Health::unknown) return Verdict::missed;
    if (reflected.value < rf.reflected_is_rf_w()) return Verdict::rest;
    if (reflected.value < std::max(before.value, after.value)) return Verdict::clear;
    const bool told = before.health != Health::unknown && after.health != Health::unknown;
    return told ? Verdict::outside : Verdict::missed;
}

double bracket_forward_w(const Bracket& bracket) noexcept {
    return (bracket.forward_before.value + bracket.forward_after.value) / 2.0;
}

Estimate estimate_of(const Reading& reading) noexcept {
    return {reading.value, reading.low, reading.high};
}

Reading reading_of(const Estimate& estimate, Instant taken, Health health) noexcept {
    const Estimate e = tidy(estimate);
    return {.value = e.value, .low = e.low, .high = e.high, .health = health, .fault = Fault::none, .taken = taken};
}

Reading not_measurable(Instant taken) noexcept {
    return {.health = Health::not_measurable, .fault = Fault::none, .taken = taken};
}

LineFactors::LineFactors(const RfPlan& rf) noexcept
    : feeder_share{1.0 / watts_from_dbm(30.0 + rf.feeder_loss_db)}, far_end{far_end_factor(rf.feeder_loss_db)} {
    if (rf.directivity_db) leak = leakage(*rf.directivity_db);
}

Reflections::Reflections(const LineFactors& line, const Bracket& bracket, BracketState state, double ratio) noexcept
    : line_{line}, taken_{bracket.forward_before.taken} {
    if (state != BracketState::measurable) return;
    const double forward_w = bracket_forward_w(bracket);
    health_ = bracket.reflected.health;
    // Reflected on its floor: the reflection is at most this. Beyond its ceiling: at least.
    gamma_ = reflection_estimate(reflection_from_powers(forward_w, bracket.reflected.value), {line.leak, ratio});
    if (health_ == Health::at_floor) gamma_.low = 0.0;
    if (health_ == Health::above_range) gamma_.high = 1.0;
    forward_ = {forward_w, std::min(bracket.forward_before.low, bracket.forward_after.low),
                std::max(bracket.forward_before.high, bracket.forward_after.high)};
}

// What rises with |Gamma| has its ends at Gamma's.
template <class Function>
Reading Reflections::rising(Function function) const noexcept {
    if (health_ == Health::not_measurable) return not_measurable(taken_);
    return reading_of({function(gamma_.value), function(gamma_.low), function(gamma_.high)}, taken_, health_);
}

Reading Reflections::vswr() const noexcept {
    return rising(vswr_from_reflection);
}

Reading Reflections::reflection() const noexcept {
    return rising([](double g) { return g; });
}

Reading Reflections::return_loss() const noexcept {
    if (health_ == Health::not_measurable) return not_measurable(taken_);
    return reading_of({return_loss_db(gamma_.value), return_loss_db(gamma_.high), return_loss_db(gamma_.low)}, taken_,
                      health_);
}

Reading Reflections::mismatch_loss() const noexcept {
    return rising(mismatch_loss_db);
}

double Reflections::at_far_end(double reflection) const noexcept {
    return std::min(1.0, reflection * line_.far_end);
}

Reading Reflections::antenna_vswr() const noexcept {
    return rising([this](double g) { return vswr_from_reflection(at_far_end(g)); });
}

Reading Reflections::power(const Estimate& reflection, double share) const noexcept {
    if (health_ == Health::not_measurable) return not_measurable(taken_);
    const auto accepted = [](double g) { return 1.0 - g * g; };
    return reading_of(
        {forward_.value * share * accepted(reflection.value), forward_.low * share * accepted(reflection.high),
         forward_.high * share * accepted(reflection.low)},
        taken_);
}

Reading Reflections::net_power() const noexcept {
    return power(gamma_, 1.0);
}

Reading Reflections::antenna_power() const noexcept {
    return power({at_far_end(gamma_.value), at_far_end(gamma_.low), at_far_end(gamma_.high)}, line_.feeder_share);
}

Reading gain(const RfPlan& rf, const Reading& forward, const Reading& drive) noexcept {
    if (!forward.measured() || !drive.measured()) return unknown_from(forward, drive);
    const Instant taken = std::min(forward.taken, drive.taken);
    const bool driven = drive.health == Health::good && drive.value >= rf.drive_absent_w;
    if (!has_rf(rf, forward) || !driven) return not_measurable(taken);
    return gain_of(forward, drive);
}

Reading gain_of(const Reading& forward, const Reading& drive) noexcept {
    if (!forward.measured() || !drive.measured()) return unknown_from(forward, drive);
    const Instant taken = std::min(forward.taken, drive.taken);
    const auto result = gain_db(estimate_of(drive), estimate_of(forward));
    return result ? reading_of(*result, taken) : not_measurable(taken);
}

Reading compression(const RfPlan& rf, const Reading& gain_reading, const Reading* heatsink) noexcept {
    if (gain_reading.health != Health::good) return gain_reading;
    if (!rf.small_signal_gain_db) return not_measurable(gain_reading.taken);
    const bool warm = heatsink != nullptr && heatsink->health == Health::good;
    // The gain moves with the temperature: without it the compression would be a guess.
    if (rf.gain_db_per_k != 0.0 && heatsink != nullptr && !warm) return unknown_from(*heatsink, gain_reading);
    const double expected = expected_gain_db({*rf.small_signal_gain_db, rf.gain_db_per_k, rf.gain_reference_c},
                                             warm ? std::optional<double>{heatsink->value} : std::nullopt);
    return reading_of(compression_db(estimate_of(gain_reading), expected), gain_reading.taken);
}

Reading dc_power(const Reading& supply, const Reading& current) noexcept {
    if (!supply.measured() || !current.measured()) return unknown_from(supply, current);
    return reading_of(dc_power(estimate_of(supply), estimate_of(current)), std::min(supply.taken, current.taken));
}

Reading sum(const Reading& a, const Reading& b) noexcept {
    if (!a.measured() || !b.measured()) return unknown_from(a, b);
    return reading_of({a.value + b.value, a.low + b.low, a.high + b.high}, std::min(a.taken, b.taken));
}

namespace {

// An optional addend: nothing where it isn't measured.
Estimate share_of(const Reading* reading) noexcept {
    if (reading == nullptr || !reading->measured()) return {};
    return reading->health == Health::good ? estimate_of(*reading) : Estimate{.high = reading->high};
}

}  // namespace

Reading efficiency(const RfPlan& rf, const Reading& forward, const Reading* drive, const Reading& dc) noexcept {
    if (!forward.measured() || !dc.measured()) return unknown_from(forward, dc);
    const Instant taken = std::min(forward.taken, dc.taken);
    if (!has_rf(rf, forward)) return not_measurable(taken);
    const auto result = efficiency_percent(estimate_of(forward), share_of(drive), estimate_of(dc));
    return result ? reading_of(*result, taken) : not_measurable(taken);
}

Reading heat(const RfPlan& rf, const Reading& dc, const Reading& forward, const Reading* drive,
             const Reading* reflected) noexcept {
    if (!forward.measured() || !dc.measured()) return unknown_from(forward, dc);
    const Estimate returning = rf.circulator_load_time ? Estimate{} : share_of(reflected);
    return reading_of(heat(estimate_of(dc), share_of(drive), share_of(&forward), returning),
                      std::min(forward.taken, dc.taken));
}

// ---- which formula is whose --------------------------------------------------------------------------------------

namespace {

struct FormulaRow {
    Derived derived;
    Reading (*formula)(const FormulaInputs&);
};

/// Of each current at its supply's voltage.
Reading all_dc_power(const FormulaInputs& s) noexcept {
    Reading all = dc_power(*s.role(s.roles().supply), *s.role(s.roles().current));
    for (const Feed& feed : s.roles().more_feeds)
        all = sum(all, dc_power(*s.role(feed.supply), s.quantities[feed.current]));
    return all;
}

// A formula is asked for where the plan has what its row in quantities.hpp needs; all else may be absent.
constexpr std::array<FormulaRow, derived_count> formulas{{
    {Derived::vswr, [](const FormulaInputs& s) { return s.reflections->vswr(); }},
    {Derived::reflection, [](const FormulaInputs& s) { return s.reflections->reflection(); }},
    {Derived::return_loss, [](const FormulaInputs& s) { return s.reflections->return_loss(); }},
    {Derived::mismatch_loss, [](const FormulaInputs& s) { return s.reflections->mismatch_loss(); }},
    {Derived::net_power, [](const FormulaInputs& s) { return s.reflections->net_power(); }},
    {Derived::antenna_vswr, [](const FormulaInputs& s) { return s.reflections->antenna_vswr(); }},
    {Derived::antenna_power, [](const FormulaInputs& s) { return s.reflections->antenna_power(); }},
    {Derived::gain,
     [](const FormulaInputs& s) {
         return s.means ? gain_of(*s.forward, *s.drive) : gain(s.plan.rf, *s.forward, *s.drive);
     }},
    {Derived::compression,
     [](const FormulaInputs& s) { return compression(s.plan.rf, s.of(Derived::gain), s.heatsink); }},
    {Derived::dc_power, all_dc_power},
    {Derived::efficiency,
     [](const FormulaInputs& s) {
         return efficiency(s.plan.rf, *s.role(s.roles().forward), s.role(s.roles().drive), s.of(Derived::dc_power));
     }},
    {Derived::heat,
     [](const FormulaInputs& s) {
         return heat(s.plan.rf, s.of(Derived::dc_power), *s.role(s.roles().forward), s.role(s.roles().drive),
                     s.role(s.roles().reflected));
     }},
    {Derived::circulator_load, [](const FormulaInputs& s) { return s.forecast->circulator_load; }},
    {Derived::thermal_resistance, [](const FormulaInputs& s) { return s.forecast->thermal_resistance; }},
    {Derived::settling_temperature, [](const FormulaInputs& s) { return s.forecast->settling_temperature; }},
    {Derived::time_to_limit, [](const FormulaInputs& s) { return s.forecast->time_to_limit; }},
    {Derived::forecast_temperature, [](const FormulaInputs& s) { return s.forecast->forecast_temperature; }},
    {Derived::back_off, [](const FormulaInputs& s) { return s.forecast->back_off; }},
    {Derived::mean_forward, [](const FormulaInputs& s) { return *s.window_mean; }},
    {Derived::peak_forward, [](const FormulaInputs& s) { return *s.window_peak; }},
    {Derived::ambient_trend, [](const FormulaInputs& s) { return s.forecast->ambient_trend; }},
}};

consteval bool formulas_in_order() noexcept {
    for (std::size_t i = 0; i < formulas.size(); ++i) {
        if (static_cast<std::size_t>(formulas[i].derived) != i) return false;
    }
    return true;
}
static_assert(formulas_in_order(), "a formula for each Derived, in its order");

}  // namespace

Reading work_out(Derived derived, const FormulaInputs& around) noexcept {
    return formulas[static_cast<std::size_t>(derived)].formula(around);
}

}  // namespace dekeyd::core
