#include "formats/reaction.hpp"

#include <algorithm>
#include <initializer_list>

#include "formats/configuration_parts.hpp"

namespace dekeyd::formats {
namespace {

using core::Derived;

/// The samplers that a quantity depends on.
std::vector<std::uint16_t> samplers_of(const core::Plan& plan, core::QuantityIndex quantity) {
    std::vector<std::uint16_t> result;
    const auto add = [&](std::initializer_list<std::optional<std::uint16_t>> channels) {
        for (const auto& channel : channels) {
            if (channel) result.push_back(plan.channels[*channel].sampler);
        }
    };
    if (quantity < plan.channels.size()) {
        add({quantity});
        return result;
    }
    const core::Roles& roles = plan.roles;
    switch (static_cast<Derived>(quantity - plan.channels.size())) {
        case Derived::gain:
        case Derived::compression: add({roles.forward, roles.drive}); break;
        case Derived::dc_power: add({roles.supply, roles.current}); break;
        case Derived::efficiency:
        case Derived::heat: add({roles.forward, roles.supply, roles.current}); break;
        default: add({roles.forward, roles.reflected}); break;
    }
    return result;
}

}  // namespace

Reaction reaction(const Configuration& configuration, const core::LimitPlan& limit) {
    Reaction result{.wait = {}, .conversion = {}, .qualify = limit.qualify, .guard = configuration.guard_period};
    auto samplers = samplers_of(configuration.plan, limit.watch);
    if (limit.gate) {
        const auto of_gate = samplers_of(configuration.plan, limit.gate->quantity);
        samplers.insert(samplers.end(), of_gate.begin(), of_gate.end());
    }
    for (const std::uint16_t sampler : samplers) {
        if (sampler >= configuration.buses.size()) continue;  // a plan that no text has made
        const BusConfig& bus = configuration.buses[sampler];
        // A whole scan is handed over at its end.
        const core::Duration scan = static_cast<core::Duration::rep>(bus.slots.size()) * bus.conversion;
        if (round_time(bus) + scan <= result.wait + result.conversion) continue;
        result.wait = round_time(bus);
        result.conversion = scan;
    }
    return result;
}

}  // namespace dekeyd::formats
