// Defaults of a limit's fields, by the quantity that it watches. Each is a suggestion that advice names.
#include <cmath>

#include "configuration/parts.hpp"

namespace dekeyd::formats {

using namespace std::chrono_literals;
using core::Derived;
using core::Direction;
using core::Rearm;

namespace {

std::optional<core::Gate> forward_gate(const Draft& draft) {
    const core::Plan& plan = draft.configuration.plan;
    if (!plan.roles.forward || !draft.amplifier.rf_levels_known) return std::nullopt;
    return core::Gate{.quantity = *plan.roles.forward, .level = plan.rf.minimum_forward_w, .open = Direction::above};
}

LimitDefaults heatsink(std::optional<double> trip) {
    constexpr double trip_c = 70.0, hysteresis_k = 15.0;
    return {.trip = trip_c,
            .direction = Direction::above,
            .clear_by_rf = false,
            .clear = trip.value_or(trip_c) - hysteresis_k,
            .qualify = 1s,
            .hold_off = 30s,
            .rearm = Rearm::automatic,
            .gate = std::nullopt};
}

/// Clears by RF being off: what it watches can't be seen to clear once the amplifier is de-keyed.
LimitDefaults while_rf(std::optional<double> trip, core::Duration qualify, core::Duration hold_off, Rearm rearm) {
    return {.trip = trip,
            .direction = Direction::above,
            .clear_by_rf = true,
            .clear = std::nullopt,
            .qualify = qualify,
            .hold_off = hold_off,
            .rearm = rearm,
            .gate = std::nullopt};
}

LimitDefaults drive(const Draft& draft, std::optional<double> trip) {
    LimitDefaults result{.trip = draft.amplifier.maximum_drive_w,
                         .direction = Direction::above,
                         .clear_by_rf = false,
                         .clear = std::nullopt,
                         .qualify = 5ms,
                         .hold_off = 5s,
                         .rearm = Rearm::automatic,
                         .gate = std::nullopt};
    const auto level = trip ? trip : result.trip;
    if (level) result.clear = *level * std::pow(10.0, -0.1);  // 1 dB below
    return result;
}

LimitDefaults supply(std::optional<double> nominal, std::optional<Direction> direction, std::optional<double> trip) {
    const bool low = direction == Direction::below;
    LimitDefaults result{.trip = std::nullopt,
                         .direction = std::nullopt,
                         .clear_by_rf = false,
                         .clear = std::nullopt,
                         .qualify = low ? 500ms : 20ms,  // a key-up makes the supply sag for some 300 ms
                         .hold_off = 5s,
                         .rearm = Rearm::automatic,
                         .gate = std::nullopt};
    if (nominal && direction) result.trip = *nominal * (low ? 0.85 : 1.10);
    const auto level = trip ? trip : result.trip;
    if (level && nominal) result.clear = (*level + *nominal) / 2.0;
    return result;
}

LimitDefaults fan(std::optional<std::uint16_t> heat, std::optional<double> trip) {
    constexpr double stalled_rpm = 300.0, turning = 1.5, warm_c = 45.0;
    LimitDefaults result{.trip = stalled_rpm,
                         .direction = Direction::below,
                         .clear_by_rf = false,
                         .clear = trip.value_or(stalled_rpm) * turning,
                         .qualify = 10s,
                         .hold_off = 30s,
                         .rearm = Rearm::automatic,
                         .gate = std::nullopt};
    if (heat) result.gate = core::Gate{.quantity = *heat, .level = warm_c, .open = Direction::above};
    return result;
}

/// `maximum_current` is what the amplifier draws in all: no level for a part of it, or for another stage.
std::optional<double> most_current(const Draft& draft, core::QuantityIndex watch) {
    const core::Plan& plan = draft.configuration.plan;
    const bool all = core::stage_of(plan, watch) == nullptr && plan.roles.more_feeds.empty();
    return all ? draft.amplifier.maximum_current_a : std::nullopt;
}

}  // namespace

std::optional<double> nominal_supply_v(const Draft& draft, core::QuantityIndex supply) {
    const core::StagePlan* const stage = core::stage_of(draft.configuration.plan, supply);
    return stage != nullptr ? stage->nominal_supply_v : draft.amplifier.nominal_supply_v;
}

bool needs_forward_power(const Draft& draft, core::QuantityIndex watch) {
    const core::DerivedRule* rule = core::rule_of(draft.configuration.plan, watch);
    return rule != nullptr && rule->with_rf;
}

LimitDefaults limit_defaults(const Draft& draft, core::QuantityIndex watch, std::optional<Direction> direction,
                             std::optional<double> trip) {
    const core::Plan& plan = draft.configuration.plan;
    const auto is = [&](std::optional<std::uint16_t> role) { return role && *role == watch; };
    constexpr double vswr_trip = 2.0, reflected_share = 0.1;
    const auto rated = draft.amplifier.rated_w;
    const core::Roles& around = core::roles_around(plan, watch);  // of its stage
    if (is(around.heatsink)) return heatsink(trip);
    if (is(plan.roles.reflected))
        return while_rf(rated ? std::optional{reflected_share * *rated} : std::nullopt, 10ms, 1s, Rearm::latched);
    if (is(plan.roles.forward)) return while_rf(rated, 10ms, 5s, Rearm::automatic);
    if (is(plan.roles.drive)) return drive(draft, trip);
    if (around.is_supply(watch)) return supply(nominal_supply_v(draft, watch), direction, trip);
    if (around.is_current(watch)) return while_rf(most_current(draft, watch), 50ms, 1s, Rearm::latched);
    if (around.is_fan(watch)) return fan(around.heatsink, trip);
    if (watch == plan.index(Derived::circulator_load))
        return while_rf(draft.configuration.circulator_rating_w, 0s, 5s, Rearm::latched);
    LimitDefaults result;
    result.hold_off = 5s;
    if (needs_forward_power(draft, watch)) {
        const bool vswr = watch == plan.index(Derived::vswr);
        result = while_rf(vswr ? std::optional{vswr_trip} : std::nullopt, vswr ? 20ms : 100ms, 1s, Rearm::latched);
        if (!vswr) result.direction.reset();
        result.gate = forward_gate(draft);
    }
    return result;
}

}  // namespace dekeyd::formats
