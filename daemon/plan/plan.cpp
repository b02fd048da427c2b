#include "plan/plan.hpp"

#include <algorithm>

namespace dekeyd::core {

Unit unit_of(ChannelKind kind) noexcept {
    switch (kind) {
        case ChannelKind::temperature: return Unit::celsius;
        case ChannelKind::power: return Unit::watt;
        case ChannelKind::voltage: return Unit::volt;
        case ChannelKind::current: return Unit::ampere;
        case ChannelKind::speed: return Unit::rpm;
        case ChannelKind::contact: return Unit::none;
    }
    return Unit::none;
}

namespace {

bool any_upper(const Plan& plan, std::optional<QuantityIndex> quantity, bool warnings_too) noexcept {
    return std::any_of(plan.limits.begin(), plan.limits.end(), [&](const LimitPlan& limit) {
        return quantity == limit.watch && limit.direction == Direction::above &&
               (limit.trips || (warnings_too && limit.warn));
    });
}

}  // namespace

bool Roles::is_supply(QuantityIndex channel) const noexcept {
    return supply == channel || std::find(more_supplies.begin(), more_supplies.end(), channel) != more_supplies.end();
}

bool Roles::is_current(QuantityIndex channel) const noexcept {
    return current == channel ||
           std::any_of(more_feeds.begin(), more_feeds.end(), [=](const Feed& feed) { return feed.current == channel; });
}

bool Roles::is_fan(QuantityIndex channel) const noexcept {
    return fan == channel || std::find(more_fans.begin(), more_fans.end(), channel) != more_fans.end();
}

const StagePlan* stage_of(const Plan& plan, QuantityIndex index) noexcept {
    if (index >= plan.channels.size()) return nullptr;
    const auto& stage = plan.channels[index].stage;
    return stage && *stage < plan.stages.size() ? &plan.stages[*stage] : nullptr;
}

const Roles& roles_around(const Plan& plan, QuantityIndex index) noexcept {
    const StagePlan* const stage = stage_of(plan, index);
    return stage != nullptr ? stage->roles : plan.roles;
}

const DerivedRule* rule_of(const Plan& plan, QuantityIndex index) noexcept {
    const bool derived = index >= plan.channels.size() && index < plan.quantity_count();
    return derived ? &derived_rules[index - plan.channels.size()] : nullptr;
}

std::optional<std::uint16_t> channel_of(const Plan& plan, Input input) noexcept {
    const Roles& roles = plan.roles;
    switch (input) {
        case Input::forward: return roles.forward;
        case Input::reflected: return roles.reflected;
        case Input::drive: return roles.drive;
        case Input::supply: return roles.supply;
        case Input::current: return roles.current;
        case Input::heatsink: return roles.heatsink;
        case Input::ambient: return roles.ambient;
        case Input::small_signal_gain:
        case Input::feeder_loss:
        case Input::circulator_load_time:
        case Input::level:
        case Input::heatsink_trip:
        case Input::count_: break;
    }
    return std::nullopt;
}

bool has(const Plan& plan, Input input) noexcept {
    switch (input) {
        case Input::small_signal_gain: return plan.rf.small_signal_gain_db.has_value();
        case Input::feeder_loss: return plan.rf.feeder_loss_db > 0.0;
        case Input::circulator_load_time: return plan.rf.circulator_load_time.has_value();
        case Input::level:
            return any_upper(plan, plan.roles.forward, true) || any_upper(plan, plan.roles.heatsink, true) ||
                   any_upper(plan, plan.index(Derived::compression), true);
        case Input::heatsink_trip: return any_upper(plan, plan.roles.heatsink, false);
        default: return channel_of(plan, input).has_value();
    }
}

bool can_be_known(const Plan& plan, QuantityIndex index) noexcept {
    const DerivedRule* rule = rule_of(plan, index);
    if (rule == nullptr) return index < plan.quantity_count();  // a sensor's
    for (std::size_t i = input_count; i-- > 0;) {
        const auto input = static_cast<Input>(i);
        if (rule->wants(input) && !has(plan, input)) return false;
    }
    return true;
}

QuantityInfo describe(const Plan& plan, QuantityIndex index) noexcept {
    if (index < plan.channels.size()) {
        const Channel& channel = plan.channels[index];
        return {channel.id, channel.name.empty() ? std::string_view{channel.id} : std::string_view{channel.name},
                unit_of(channel.kind)};
    }
    const DerivedRule* rule = rule_of(plan, index);
    return rule != nullptr ? QuantityInfo{rule->id, rule->name, rule->unit} : QuantityInfo{};
}

}  // namespace dekeyd::core
