#include "plan/standing.hpp"

#include <algorithm>

namespace dekeyd::core {

// The gate is closed only by a reading that proves it: a missing one leaves it unknown.
Standing standing_by_gate(const Gate& gate, const Reading& reading) noexcept {
    switch (reading.health) {
        case Health::good:
            if (gate.open == Direction::above)
                return reading.value < gate.level ? Standing::gate_closed : Standing::watches;
            return reading.value > gate.level ? Standing::gate_closed : Standing::watches;
        case Health::at_floor:  // the value is the most that it can be
            if (gate.open == Direction::above)
                return reading.value < gate.level ? Standing::gate_closed : Standing::untold;
            return Standing::watches;
        case Health::above_range:  // the value is the least that it can be
            return gate.open == Direction::above ? Standing::watches : Standing::untold;
        case Health::not_measurable:
        case Health::unknown: return Standing::untold;
    }
    return Standing::untold;
}

namespace {

void keep_lowest(std::optional<double>& kept, double level) noexcept {
    kept = kept ? std::min(*kept, level) : level;
}

template <class Fits>
std::optional<double> lowest_trip(const Plan& plan, std::optional<QuantityIndex> quantity, Fits fits) noexcept {
    std::optional<double> lowest;
    for (const LimitPlan& limit : plan.limits) {
        if (quantity == limit.watch && limit.direction == Direction::above && fits(limit))
            keep_lowest(lowest, limit.trip);
    }
    return lowest;
}

}  // namespace

Standing standing(const LimitPlan& limit, const Moment& moment) noexcept {
    if (limit.provisional && !moment.commissioning) return Standing::not_commissioning;
    if (limit.while_supplied && !moment.supplied) return Standing::unsupplied;
    if (!limit.gate) return Standing::watches;
    if (limit.gate->quantity >= moment.quantities.size()) return Standing::untold;
    return standing_by_gate(*limit.gate, moment.quantities[limit.gate->quantity]);
}

bool may_trip(const LimitPlan& limit, const Moment& moment) noexcept {
    return limit.trips && !rests(standing(limit, moment));
}

bool surely_trips(const LimitPlan& limit, const Moment& moment) noexcept {
    return limit.trips && standing(limit, moment) == Standing::watches;
}

std::optional<double> lowest_possible_trip(const Plan& plan, std::optional<QuantityIndex> quantity,
                                           const Moment& moment) noexcept {
    return lowest_trip(plan, quantity, [&](const LimitPlan& limit) { return may_trip(limit, moment); });
}

std::optional<double> lowest_sure_trip(const Plan& plan, std::optional<QuantityIndex> quantity,
                                       const Moment& moment) noexcept {
    return lowest_trip(plan, quantity, [&](const LimitPlan& limit) { return surely_trips(limit, moment); });
}

std::optional<double> lowest_level(const Plan& plan, std::optional<QuantityIndex> quantity,
                                   const Moment& moment) noexcept {
    std::optional<double> lowest = lowest_possible_trip(plan, quantity, moment);
    for (const LimitPlan& limit : plan.limits) {
        if (quantity == limit.watch && limit.direction == Direction::above && limit.warn &&
            !rests(standing(limit, moment)))
            keep_lowest(lowest, *limit.warn);
    }
    return lowest;
}

}  // namespace dekeyd::core
