#include "core/plan.hpp"

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

QuantityInfo describe(Derived derived) noexcept {
    switch (derived) {
        case Derived::vswr: return {"vswr", "VSWR", Unit::none};
        case Derived::reflection: return {"reflection", "reflection coefficient", Unit::none};
        case Derived::return_loss: return {"return-loss", "return loss", Unit::decibel};
        case Derived::mismatch_loss: return {"mismatch-loss", "mismatch loss", Unit::decibel};
        case Derived::net_power: return {"net-power", "net power", Unit::watt};
        case Derived::antenna_vswr: return {"antenna-vswr", "VSWR at the antenna", Unit::none};
        case Derived::antenna_power: return {"antenna-power", "power at the antenna", Unit::watt};
        case Derived::gain: return {"gain", "gain", Unit::decibel};
        case Derived::compression: return {"compression", "gain compression", Unit::decibel};
        case Derived::dc_power: return {"dc-power", "DC power", Unit::watt};
        case Derived::efficiency: return {"efficiency", "efficiency", Unit::percent};
        case Derived::heat: return {"heat", "heat", Unit::watt};
        case Derived::circulator_load: return {"circulator-load", "circulator load", Unit::watt};
        case Derived::thermal_resistance: return {"thermal-resistance", "thermal resistance", Unit::kelvin_per_watt};
        case Derived::settling_temperature: return {"settling-temperature", "settling temperature", Unit::celsius};
        case Derived::time_to_limit: return {"time-to-limit", "time to limit", Unit::second};
        case Derived::forecast_temperature: return {"forecast-temperature", "forecast temperature", Unit::celsius};
        case Derived::back_off: return {"back-off", "back-off advised", Unit::decibel};
        case Derived::count_: break;
    }
    return {};
}

}  // namespace

QuantityInfo describe(const Plan& plan, QuantityIndex index) noexcept {
    if (index < plan.channels.size()) {
        const Channel& channel = plan.channels[index];
        return {channel.id, channel.name.empty() ? std::string_view{channel.id} : std::string_view{channel.name},
                unit_of(channel.kind)};
    }
    const std::size_t derived = index - plan.channels.size();
    return derived < derived_count ? describe(static_cast<Derived>(derived)) : QuantityInfo{};
}

}  // namespace dekeyd::core
