#include "core/limit.hpp"

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

Condition QualifyTimer::count(Instant now, Verdict verdict) noexcept {
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

}  // namespace dekeyd::core
