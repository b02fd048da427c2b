#include "core/plan.hpp"

#include <algorithm>
#include <array>

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

constexpr std::uint32_t bit(Input input) noexcept {
    return std::uint32_t{1} << static_cast<unsigned>(input);
}

constexpr std::uint32_t both_ways = bit(Input::forward) | bit(Input::reflected);
constexpr std::uint32_t dc = bit(Input::supply) | bit(Input::current);
constexpr std::uint32_t thermal = dc | bit(Input::forward) | bit(Input::heatsink);
constexpr Duration each_scan{};
constexpr Duration each_second = std::chrono::seconds{1};

// Gain takes drive and forward from a scan in which RF stood before and after the reflected reading.
constexpr std::array<DerivedRule, derived_count> rules{{
    // id, name, unit, needs, with RF, may trip, renewed
    {Derived::vswr, "vswr", "VSWR", Unit::none, both_ways, true, true, each_scan},
    {Derived::reflection, "reflection", "reflection coefficient", Unit::none, both_ways, true, true, each_scan},
    {Derived::return_loss, "return-loss", "return loss", Unit::decibel, both_ways, true, true, each_scan},
    {Derived::mismatch_loss, "mismatch-loss", "mismatch loss", Unit::decibel, both_ways, true, true, each_scan},
    {Derived::net_power, "net-power", "net power", Unit::watt, both_ways, true, true, each_scan},
    {Derived::antenna_vswr, "antenna-vswr", "VSWR at the antenna", Unit::none, both_ways | bit(Input::feeder_loss),
     true, true, each_scan},
    {Derived::antenna_power, "antenna-power", "power at the antenna", Unit::watt, both_ways | bit(Input::feeder_loss),
     true, true, each_scan},
    {Derived::gain, "gain", "gain", Unit::decibel, both_ways | bit(Input::drive), true, true, each_scan},
    {Derived::compression, "compression", "gain compression", Unit::decibel,
     both_ways | bit(Input::drive) | bit(Input::small_signal_gain), true, false, each_scan},
    {Derived::dc_power, "dc-power", "DC power", Unit::watt, dc, false, true, each_scan},
    {Derived::efficiency, "efficiency", "efficiency", Unit::percent, dc | bit(Input::forward), true, true, each_scan},
    {Derived::heat, "heat", "heat", Unit::watt, dc | bit(Input::forward), false, true, each_scan},
    {Derived::circulator_load, "circulator-load", "circulator load", Unit::watt,
     bit(Input::reflected) | bit(Input::circulator_load_time), false, true, each_second},
    {Derived::thermal_resistance, "thermal-resistance", "thermal resistance", Unit::kelvin_per_watt, thermal, false,
     false, each_second},
    {Derived::settling_temperature, "settling-temperature", "settling temperature", Unit::celsius, thermal, false,
     false, each_second},
    {Derived::time_to_limit, "time-to-limit", "time to limit", Unit::second, thermal | bit(Input::heatsink_trip), false,
     false, each_second},
    {Derived::forecast_temperature, "forecast-temperature", "forecast temperature", Unit::celsius, thermal, false,
     false, each_second},
    {Derived::back_off, "back-off", "back-off advised", Unit::decibel, bit(Input::forward) | bit(Input::level), false,
     false, each_second},
}};

consteval bool in_order() noexcept {
    for (std::size_t i = 0; i < rules.size(); ++i) {
        if (static_cast<std::size_t>(rules[i].derived) != i) return false;
    }
    return true;
}
static_assert(in_order(), "a row for each Derived, in its order");

bool any_upper(const Plan& plan, std::optional<QuantityIndex> quantity, bool warnings_too) noexcept {
    return std::any_of(plan.limits.begin(), plan.limits.end(), [&](const LimitPlan& limit) {
        return quantity == limit.watch && limit.direction == Direction::above &&
               (limit.trips || (warnings_too && limit.warn));
    });
}

}  // namespace

const DerivedRule& rule_of(Derived derived) noexcept {
    return rules[static_cast<std::size_t>(derived)];
}

const DerivedRule* rule_of(const Plan& plan, QuantityIndex index) noexcept {
    const bool derived = index >= plan.channels.size() && index < plan.quantity_count();
    return derived ? &rules[index - plan.channels.size()] : nullptr;
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
