#include "core/limits.hpp"

#include <algorithm>

namespace dekeyd::core {

namespace {

double edge_value(const LimitPlan& limit, const Reading& reading) noexcept {
    switch (limit.edge) {
        case Edge::reading: return reading.value;
        case Edge::low: return reading.low;
        case Edge::high: return reading.high;
    }
    return reading.value;
}

}  // namespace

Verdict verdict_of(const LimitPlan& limit, const Reading& watched, const Reading* gate, bool rf_absent) noexcept {
    const Standing by_gate = !limit.gate       ? Standing::watches
                             : gate == nullptr ? Standing::untold
                                               : standing_by_gate(*limit.gate, *gate);
    return verdict_of(limit, by_gate, watched, rf_absent);
}

Verdict verdict_of(const LimitPlan& limit, Standing standing, const Reading& watched, bool rf_absent) noexcept {
    if (rests(standing)) return Verdict::rest;
    if (standing == Standing::untold) return Verdict::unknown;
    return verdict_when_standing(limit, watched, rf_absent);
}

Verdict verdict_when_standing(const LimitPlan& limit, const Reading& watched, bool rf_absent) noexcept {
    const bool above = limit.direction == Direction::above;
    switch (watched.health) {
        case Health::unknown: return Verdict::unknown;
        case Health::not_measurable: return rf_absent ? Verdict::rest : Verdict::unknown;
        case Health::above_range: return above ? Verdict::outside : Verdict::unknown;
        case Health::at_floor:
            if (!above) return watched.value <= limit.trip ? Verdict::outside : Verdict::unknown;
            break;
        case Health::good: break;
    }
    // Written as proofs of being inside, so that a NaN, which proves nothing, is outside.
    const double value = edge_value(limit, watched);
    const bool inside = above ? value < limit.trip : value > limit.trip;
    if (!inside) return Verdict::outside;
    if (limit.clear_by == ClearBy::rf_off) return rf_absent ? Verdict::clear : Verdict::band;
    const bool clear = above ? value < limit.clear : value > limit.clear;
    return clear ? Verdict::clear : Verdict::band;
}

bool QualifyTimer::rests() const noexcept {
    return last_ <= Verdict::band && outside_ == Duration::zero();
}

Condition QualifyTimer::update(Instant now, Verdict verdict) noexcept {
    if (rests() && verdict <= Verdict::clear) return Condition::clear;
    const Duration passed = std::max(now - last_time_, Duration::zero());
    last_time_ = std::max(now, last_time_);
    // The time since the last look belongs to what that look saw. If it ran out meanwhile, this look is too late to
    // deny it: otherwise a fault that flaps in step with the looks would never trip.
    const bool pending = last_ == Verdict::outside && outside_ < qualify_;
    switch (last_) {
        case Verdict::outside:
        case Verdict::unknown: outside_ = passed > qualify_ - outside_ ? qualify_ : outside_ + passed; break;
        case Verdict::rest:
        case Verdict::clear:
        case Verdict::band: outside_ = std::max(outside_ - passed / decay_divisor, Duration::zero()); break;
        case Verdict::missed: break;
    }
    const bool news = verdict != Verdict::missed;
    if (news) last_ = verdict;
    const bool qualified = outside_ >= qualify_;
    if (pending && qualified) return Condition::bad;
    switch (last_) {
        case Verdict::rest:
        case Verdict::clear: return news ? Condition::clear : Condition::missed;
        case Verdict::band: return news ? Condition::band : Condition::missed;
        case Verdict::outside:
            if (qualified) return Condition::bad;
            return news ? Condition::band : Condition::missed;
        case Verdict::unknown: return news ? Condition::unknown : Condition::missed;
        case Verdict::missed: return Condition::unknown;
    }
    return Condition::unknown;
}

Instant QualifyTimer::due() const noexcept {
    if (last_ != Verdict::outside || outside_ >= qualify_) return Instant::max();
    return last_time_ + (qualify_ - outside_);
}

// ---- all limits in a step ---------------------------------------------------------------------------------------

Limits::Plain::Plain(const LimitPlan& limit) noexcept
    : watch{limit.watch},
      gate{limit.gate ? limit.gate->quantity : limit.watch},
      above{limit.direction == Direction::above},
      edge{limit.edge == Edge::low    ? &Reading::low
           : limit.edge == Edge::high ? &Reading::high
                                      : &Reading::value} {
    if (limit.gate || limit.warn || limit.clear_by != ClearBy::level) return;
    if (above ? limit.clear <= limit.trip : limit.clear >= limit.trip) safe = limit.clear;
}

bool Limits::Plain::proves_safe(const Reading& reading) const noexcept {
    const double value = reading.*edge;
    return reading.health == Health::good && (above ? value < safe : value > safe);
}

Limits::Limits(const Plan& plan)
    : plan_{plan},
      conditions_(plan.limits.size()),
      judged_(plan.limits.size()),
      warned_(plan.limits.size()),
      standing_(plan.limits.size(), Standing::watches),
      out_of_force_(plan.limits.size()) {
    for (std::size_t i = 0; i < plan.limits.size(); ++i) {
        const LimitPlan& limit = plan.limits[i];
        timers_.emplace_back(limit.qualify);
        unseen_.push_back(limit.trips ? Condition::missed : Condition::clear);
        if (limit.provisional || limit.while_supplied) at_times_.push_back(i);
        if (limit.provisional || limit.while_supplied || limit.gate) varying_.push_back(i);
        plain_.emplace_back(limit);
    }
}

void Limits::begin_step() noexcept {
    std::copy(unseen_.begin(), unseen_.end(), conditions_.begin());
    std::fill(judged_.begin(), judged_.end(), std::uint8_t{0});
}

bool Limits::out_of_force(const LimitPlan& limit, const Look& look) noexcept {
    return (limit.provisional && !look.commissioning) || (limit.while_supplied && !look.supplied);
}

void Limits::see_what_is_in_force(const Look& look) noexcept {
    for (const std::size_t i : at_times_) {
        const bool out = out_of_force(plan_.limits[i], look);
        if (out_of_force_[i] != 0 && !out) timers_[i].forget();
        out_of_force_[i] = out;
    }
}

void Limits::judge_news(const Look& look, EventList& events) noexcept {
    const bool rf_absent = look.measurement.rf_absent();
    // Spans, since a byte that is written might be a vector's own pointer to a compiler.
    const std::span<const Reading> quantities = look.measurement.quantities();
    const std::span<const Plain> plains{plain_};
    const std::span<const QualifyTimer> timers{timers_};
    const std::span<std::uint8_t> judged{judged_};
    for (std::size_t i = 0; i < timers.size(); ++i) {
        const Plain& plain = plains[i];
        if (!has_news(plain, look)) continue;
        judged[i] = true;
        if (plain.proves_safe(quantities[plain.watch]) && timers[i].rests() && !look.proof.injects(i))
            conditions_[i] = worse(conditions_[i], Condition::clear);  // and the timer rests on
        else
            judge(i, look, rf_absent, events);
    }
}

void Limits::judge_others(const Look& look, EventList& events) noexcept {
    const bool rf_absent = look.measurement.rf_absent();
    for (std::size_t i = 0; i < timers_.size(); ++i) {
        if (judged_[i] != 0) continue;
        // Nothing new, nothing lost, no time that counts: as it was.
        const LimitPlan& limit = plan_.limits[i];
        const bool lost = look.measurement.quantities()[limit.watch].health == Health::unknown;
        if (!limit.gate && !lost && timers_[i].rests()) continue;
        judge(i, look, rf_absent, events);
    }
}

bool Limits::has_news(const Plain& plain, const Look& look) noexcept {
    return look.measurement.has_news(plain.watch) || look.measurement.has_news(plain.gate);
}

void Limits::judge(std::size_t index, const Look& look, bool rf_absent, EventList& events) noexcept {
    const LimitPlan& limit = plan_.limits[index];
    const Measurement& measured = look.measurement;
    const Reading& watched = measured.quantities()[limit.watch];
    const Reading* gate = limit.gate ? &measured.quantities()[limit.gate->quantity] : nullptr;
    Verdict verdict = core::verdict_of(limit, standing(limit, look.moment()), watched, rf_absent);
    // What has become unknown is unknown at once. Otherwise an old look proves nothing more: the gate may have opened
    // since a quantity was found not measurable, and the next scan measures it.
    const bool seen = measured.has_news(limit.watch);
    const bool lost = verdict == Verdict::unknown && watched.health != Health::not_measurable;
    const bool gate_lost = gate != nullptr && gate->health == Health::unknown;
    const bool rests = verdict == Verdict::rest && has_news(plain_[index], look);
    if (!seen && !lost && !gate_lost && !rests) verdict = Verdict::missed;
    const Verdict injected = look.proof.injects(index)
                                 ? verdict_when_standing(limit, injected_reading(limit, look.now), rf_absent)
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

std::span<const Standing> Limits::standing_at(const Moment& moment) noexcept {
    for (const std::size_t i : varying_) standing_[i] = standing(plan_.limits[i], moment);
    return standing_;
}

Instant Limits::due() const noexcept {
    Instant due = Instant::max();
    for (const QualifyTimer& timer : timers_) due = std::min(due, timer.due());
    return due;
}

}  // namespace dekeyd::core
