#include "configuration/reaction.hpp"

#include <algorithm>

#include "configuration/parts.hpp"

namespace dekeyd::formats {
namespace {

/// The samplers that a quantity depends on.
std::vector<std::uint16_t> samplers_of(const core::Plan& plan, core::QuantityIndex quantity) {
    const core::DerivedRule* rule = core::rule_of(plan, quantity);
    if (rule == nullptr) return {plan.channels[quantity].sampler};
    std::vector<std::uint16_t> result;
    for (std::size_t i = 0; i < core::input_count; ++i) {
        const auto input = static_cast<core::Input>(i);
        const auto channel = rule->wants(input) ? core::channel_of(plan, input) : std::nullopt;
        if (channel) result.push_back(plan.channels[*channel].sampler);
    }
    return result;
}

core::Duration renewal_of(const core::Plan& plan, core::QuantityIndex quantity) {
    const core::DerivedRule* rule = core::rule_of(plan, quantity);
    return rule != nullptr ? rule->renewed() : core::Duration::zero();
}

}  // namespace

Reaction reaction(const Configuration& configuration, const core::LimitPlan& limit) {
    Reaction result{.wait = {},
                    .conversion = {},
                    .renewal = renewal_of(configuration.plan, limit.watch),
                    .qualify = limit.qualify,
                    .guard = configuration.guard_period};
    auto samplers = samplers_of(configuration.plan, limit.watch);
    if (limit.gate) {
        result.renewal = std::max(result.renewal, renewal_of(configuration.plan, limit.gate->quantity));
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
