// Which supply each current flows at. With one supply that is plain; with more each current says so, and no supply is
// left without one: DC power would lack what flows there.
#include <fmt/format.h>

#include <algorithm>
#include <vector>

#include "configuration/parts.hpp"

namespace dekeyd::formats {
namespace {

std::vector<std::uint16_t> supplies_of(const core::Roles& roles) {
    std::vector<std::uint16_t> all = roles.more_supplies;
    if (roles.supply) all.insert(all.begin(), *roles.supply);
    return all;
}

std::vector<std::uint16_t> currents_of(const core::Roles& roles) {
    std::vector<std::uint16_t> all;
    if (roles.current) all.push_back(*roles.current);
    for (const core::Feed& feed : roles.more_feeds) all.push_back(feed.current);
    return all;
}

std::string ids_of(const core::Plan& plan, const std::vector<std::uint16_t>& channels) {
    std::vector<std::string_view> ids;
    ids.reserve(channels.size());
    for (const std::uint16_t channel : channels) ids.emplace_back(plan.channels[channel].id);
    return fmt::format("{}", fmt::join(ids, ", "));
}

/// Of one current; none: at fault, or nothing to be paired with.
std::optional<std::uint16_t> supply_of(Draft& draft, std::uint16_t current,
                                       const std::vector<std::uint16_t>& supplies) {
    const SensorDraft& sensor = draft.sensors[current];
    const core::Plan& plan = draft.plan();
    if (sensor.supply.empty()) {
        if (supplies.size() == 1) return supplies.front();
        if (supplies.size() > 1)
            draft.report.fault(sensor.place, sensor.path + ".supply",
                               "which of the supplies this current flows from is not said",
                               fmt::format("'supply:' with one of {}", ids_of(plan, supplies)));
        return std::nullopt;
    }
    const auto named = std::find_if(supplies.begin(), supplies.end(),
                                    [&](std::uint16_t one) { return plan.channels[one].id == sensor.supply; });
    if (named != supplies.end()) return *named;
    const core::StagePlan* const stage = core::stage_of(plan, current);
    draft.report.fault(sensor.supply_place, sensor.path + ".supply",
                       fmt::format("'{}' is no supply of {}", sensor.supply.substr(0, 40),
                                   stage == nullptr ? "the amplifier" : fmt::format("the stage '{}'", stage->id)),
                       supplies.empty()
                           ? std::string{"the id of a sensor with 'role: supply' beside it, or the key removed"}
                           : fmt::format("one of: {}", ids_of(plan, supplies)));
    return std::nullopt;
}

/// A supply whose current isn't measured, beside one whose current is.
void check_all_fed(Draft& draft, const std::vector<std::uint16_t>& supplies, const std::vector<core::Feed>& feeds) {
    for (const std::uint16_t supply : supplies) {
        const bool fed =
            std::any_of(feeds.begin(), feeds.end(), [&](const core::Feed& feed) { return feed.supply == supply; });
        if (fed) continue;
        const core::Plan& plan = draft.plan();
        draft.report.fault(
            draft.sensors[supply].place, draft.sensors[supply].path + ".role",
            fmt::format("no current flows from '{}', so DC power would lack it", plan.channels[supply].id),
            fmt::format("a sensor with 'role: current' and 'supply: {}', or no role here: a limit may "
                        "watch it all the same",
                        plan.channels[supply].id));
    }
}

void pair(Draft& draft, core::Roles& roles) {
    const std::vector<std::uint16_t> supplies = supplies_of(roles);
    const std::size_t faults = draft.report.faults().size();
    std::vector<core::Feed> feeds;
    for (const std::uint16_t current : currents_of(roles))
        feeds.push_back({current, supply_of(draft, current, supplies)});
    if (feeds.empty() || draft.report.faults().size() != faults) return;
    check_all_fed(draft, supplies, feeds);
    if (supplies.empty()) return;
    // The first current and its supply are the pair that stands in `current` and `supply`.
    roles.supply = feeds.front().supply;
    roles.more_supplies = supplies;
    std::erase(roles.more_supplies, *roles.supply);
    feeds.erase(feeds.begin());
    roles.more_feeds = std::move(feeds);
}

}  // namespace

void pair_feeds(Draft& draft) {
    for (std::size_t i = 0; i < draft.sensors.size(); ++i) {
        const SensorDraft& sensor = draft.sensors[i];
        if (sensor.role != Role::current && !sensor.supply.empty())
            draft.report.fault(sensor.supply_place, sensor.path + ".supply", "'supply' on a sensor without the role",
                               "'role: current' beside it, or the key removed");
    }
    pair(draft, draft.plan().roles);
    for (core::StagePlan& stage : draft.plan().stages) pair(draft, stage.roles);
}

}  // namespace dekeyd::formats
