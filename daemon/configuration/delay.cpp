#include "configuration/delay.hpp"

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

/// A ratio that is averaged has followed a change, and shown RF to be well enough covered, after three such times: what
/// is left of before is then a twentieth. (tests/emissions finds VSWR 2.5 within it.)
core::Duration averaging_of(const core::Plan& plan, core::QuantityIndex quantity) {
    const core::DerivedRule* rule = core::rule_of(plan, quantity);
    const bool averaged = rule != nullptr && rule->occasion == core::Occasion::rf_scan;
    return averaged ? 3 * plan.rf.emission.ratio_time : core::Duration::zero();
}

/// A whole scan is handed over at its end; a thermometer's reading by itself, where they don't convert together.
core::Duration scan_time(const BusConfig& bus) {
    return handed_over_whole(bus) ? pass_time(bus) : bus.conversion;
}

/// The bus that is slowest to show a change; none of a plan that no text has made.
const BusConfig* slowest(const Configuration& configuration, const std::vector<std::uint16_t>& samplers) {
    const BusConfig* result = nullptr;
    for (const std::uint16_t sampler : samplers) {
        if (sampler >= configuration.buses.size()) continue;
        const BusConfig& bus = configuration.buses[sampler];
        if (result == nullptr || round_time(bus) + scan_time(bus) > round_time(*result) + scan_time(*result))
            result = &bus;
    }
    return result;
}

/// Each look at the one is a look at the other.
bool in_one_scan(const Configuration& configuration, const std::vector<std::uint16_t>& some,
                 const std::vector<std::uint16_t>& others) {
    if (some.empty() || some.front() >= configuration.buses.size()) return false;
    const auto same = [&](std::uint16_t sampler) { return sampler == some.front(); };
    return handed_over_whole(configuration.buses[some.front()]) && std::all_of(some.begin(), some.end(), same) &&
           std::all_of(others.begin(), others.end(), same);
}

}  // namespace

WorstDelay worst_delay(const Configuration& configuration, const core::LimitPlan& limit) {
    const core::Plan& plan = configuration.plan;
    WorstDelay result{.wait = {},
                      .conversion = {},
                      .gate = {},
                      .renewal = renewal_of(plan, limit.watch),
                      .averaging = averaging_of(plan, limit.watch),
                      .qualify = limit.qualify,
                      .guard = configuration.guard_period};
    const auto watched = samplers_of(plan, limit.watch);
    if (const BusConfig* const bus = slowest(configuration, watched)) {
        result.wait = round_time(*bus);
        result.conversion = scan_time(*bus);
    }
    if (!limit.gate) return result;
    result.renewal = std::max(result.renewal, renewal_of(plan, limit.gate->quantity));
    // A reading from before the gate opened proves nothing: the quantity is read once more.
    const auto of_gate = samplers_of(plan, limit.gate->quantity);
    const BusConfig* const bus = slowest(configuration, of_gate);
    if (bus != nullptr && !in_one_scan(configuration, watched, of_gate))
        result.gate = round_time(*bus) + scan_time(*bus);
    return result;
}

}  // namespace dekeyd::formats
