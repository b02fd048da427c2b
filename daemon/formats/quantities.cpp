#include "formats/quantities.hpp"

namespace dekeyd::formats {

bool can_be_known(const core::Plan& plan, core::QuantityIndex index) noexcept {
    if (index < plan.channels.size()) return true;
    const core::Roles& roles = plan.roles;
    const bool both_ways = roles.forward && roles.reflected;
    const bool supplied = roles.supply && roles.current;
    switch (static_cast<core::Derived>(index - plan.channels.size())) {
        case core::Derived::vswr:
        case core::Derived::reflection:
        case core::Derived::return_loss:
        case core::Derived::mismatch_loss:
        case core::Derived::net_power: return both_ways;
        case core::Derived::antenna_vswr:
        case core::Derived::antenna_power: return both_ways && plan.rf.feeder_loss_db > 0.0;
        case core::Derived::gain: return roles.forward && roles.drive;
        case core::Derived::compression: return roles.forward && roles.drive && plan.rf.small_signal_gain_db;
        case core::Derived::dc_power: return supplied;
        case core::Derived::efficiency:
        case core::Derived::heat: return supplied && roles.forward;
        case core::Derived::circulator_load: return roles.reflected && plan.rf.circulator_load_time;
        case core::Derived::thermal_resistance:
        case core::Derived::settling_temperature:
        case core::Derived::time_to_limit:
        case core::Derived::forecast_temperature: return supplied && roles.forward && roles.heatsink;
        case core::Derived::back_off: return roles.forward.has_value();
        case core::Derived::count_: break;
    }
    return false;
}

}  // namespace dekeyd::formats
