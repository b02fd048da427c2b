#include "core/limits.hpp"

#include <algorithm>

namespace dekeyd::core {

namespace {

int rank(Condition condition) noexcept {
    return condition == Condition::missed ? -1 : static_cast<int>(condition);
}

}  // namespace

Condition worse(Condition one, Condition other) noexcept {
    return rank(other) > rank(one) ? other : one;
}

Limits::Limits(const Plan& plan)
    : plan_{plan},
      conditions_(plan.limits.size()),
      judged_(plan.limits.size()),
      warned_(plan.limits.size()),
      out_of_force_(plan.limits.size()) {
    for (const LimitPlan& limit : plan.limits) timers_.emplace_back(limit.qualify);
}

void Limits::begin_step() noexcept {
    std::fill(conditions_.begin(), conditions_.end(), Condition::missed);
    std::fill(judged_.begin(), judged_.end(), std::uint8_t{0});
}

bool Limits::out_of_force(const LimitPlan& limit, const Look& look) noexcept {
    return (limit.provisional && !look.commissioning) || (limit.while_supplied && !look.supplied);
}

void Limits::see_what_is_in_force(const Look& look) noexcept {
    for (std::size_t i = 0; i < timers_.size(); ++i) {
        const bool out = out_of_force(plan_.limits[i], look);
        if (out_of_force_[i] != 0 && !out) timers_[i].forget();
        out_of_force_[i] = out;
    }
}

void Limits::judge_news(const Look& look, EventList& events) noexcept {
    for (std::size_t i = 0; i < timers_.size(); ++i) {
        if (!has_news(plan_.limits[i], look)) continue;
        judge(i, look, events);
        judged_[i] = true;
    }
}

void Limits::judge_others(const Look& look, EventList& events) noexcept {
    for (std::size_t i = 0; i < timers_.size(); ++i) {
        if (judged_[i] == 0) judge(i, look, events);
    }
}

bool Limits::has_news(const LimitPlan& limit, const Look& look) noexcept {
    return look.measurement.has_news(limit.watch) || (limit.gate && look.measurement.has_news(limit.gate->quantity));
}

void Limits::judge(std::size_t index, const Look& look, EventList& events) noexcept {
    const LimitPlan& limit = plan_.limits[index];
    const Measurement& measured = look.measurement;
    const Reading& watched = measured.quantities()[limit.watch];
    const Reading* gate = limit.gate ? &measured.quantities()[limit.gate->quantity] : nullptr;
    Verdict verdict = core::verdict_of(limit, standing(limit, look.moment()), watched, measured.rf_absent());
    // What has become unknown is unknown at once. Otherwise an old look proves nothing more: the gate may have opened
    // since a quantity was found not measurable, and the next scan measures it.
    const bool seen = measured.has_news(limit.watch);
    const bool lost = verdict == Verdict::unknown && watched.health != Health::not_measurable;
    const bool gate_lost = gate != nullptr && gate->health == Health::unknown;
    const bool rests = verdict == Verdict::rest && has_news(limit, look);
    if (!seen && !lost && !gate_lost && !rests) verdict = Verdict::missed;
    const Verdict injected = look.proof.injects(index)
                                 ? verdict_when_standing(limit, injected_reading(limit, look.now), measured.rf_absent())
                                 : verdict;
    const Condition condition = timers_[index].update(look.now, worsened(verdict, injected));
    conditions_[index] = worse(conditions_[index], limit.trips ? condition : Condition::clear);
    if (verdict != Verdict::missed) warn(index, verdict, look, events);
}

void Limits::warn(std::size_t index, Verdict verdict, const Look& look, EventList& events) noexcept {
    const LimitPlan& limit = plan_.limits[index];
    if (!limit.warn || verdict == Verdict::unknown) return;
    const bool above = limit.direction == Direction::above;
    // A quarter of the way back from warning to rest, so that a value on the level doesn't chatter. Where nothing
    // trips, the clear level says it.
    const double margin = limit.trips ? (limit.trip - *limit.warn) / 4.0 : *limit.warn - limit.clear;
    const bool rests = verdict == Verdict::rest;
    const double value = look.measurement.quantities()[limit.watch].value;
    const bool reached = !rests && (above ? value >= *limit.warn : value <= *limit.warn);
    const bool over = rests || (above ? value < *limit.warn - margin : value > *limit.warn - margin);
    std::uint8_t& warned = warned_[index];
    const auto report = [&](EventKind kind) {
        events.add({.at = look.now, .kind = kind, .source = static_cast<SourceIndex>(index)});
    };
    if (warned == 0 && reached) {
        warned = true;
        report(EventKind::warning);
    } else if (warned != 0 && over) {
        warned = false;
        report(EventKind::warning_over);
    }
}

Instant Limits::due() const noexcept {
    Instant due = Instant::max();
    for (const QualifyTimer& timer : timers_) due = std::min(due, timer.due());
    return due;
}

}  // namespace dekeyd::core
