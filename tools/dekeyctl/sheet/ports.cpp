// The most that each port bears, as far as the configuration knows it.
#include <fmt/format.h>

#include <algorithm>

#include "core/limit.hpp"
#include "dekeyctl/sheet/station.hpp"
#include "maths/rf.hpp"
#include "words/units.hpp"

namespace dekeyd::ctl::sheet {
namespace {

using core::Unit;
using formats::show;

std::string both(double dbm) {
    return fmt::format("{} ({})", show(core::watts_from_dbm(dbm), Unit::watt), show(dbm, Unit::dbm));
}

/// The limits that trip on a quantity that rises, on paper.
std::string guard_of(const core::Plan& plan, std::optional<core::QuantityIndex> quantity) {
    std::string words;
    if (!quantity) return "not measured";
    for (const core::LimitPlan& limit : plan.limits)
        if (limit.watch == *quantity && limit.direction == core::Direction::above && core::may_trip(limit, {}))
            words += fmt::format("{}'{}' trips at {}", words.empty() ? "" : "; ", limit.id,
                                 show(limit.trip, core::describe(plan, limit.watch).unit));
    return words.empty() ? "no limit trips on it" : words;
}

void add_drive_side(std::vector<Port>& ports, const formats::Configuration& configuration) {
    const core::Plan& plan = configuration.plan;
    if (configuration.level_plan) {
        for (const formats::DrivePart& part : configuration.level_plan->parts)
            if (part.maximum_input_dbm)
                ports.push_back({.name = part.name + " IN",
                                 .most = "never above " + both(*part.maximum_input_dbm),
                                 .guard = fmt::format("the exciter gives {} at most",
                                                      show(configuration.level_plan->exciter_highest_dbm, Unit::dbm))});
    }
    if (configuration.maximum_drive_w)
        ports.push_back({.name = "DRIVE IN",
                         .most = "never above " + show(*configuration.maximum_drive_w, Unit::watt),
                         .guard = guard_of(plan, plan.roles.drive)});
}

void add_supply(std::vector<Port>& ports, const core::Plan& plan, std::string_view name, double nominal_v,
                std::optional<std::uint16_t> supply) {
    ports.push_back({.name = std::string{name},
                     .most = fmt::format("nominal {}", show(nominal_v, Unit::volt)),
                     .guard = guard_of(plan, supply)});
}

void add_detectors(std::vector<Port>& ports, const core::Plan& plan) {
    for (std::size_t i = 0; i < plan.channels.size(); ++i) {
        const core::Channel& channel = plan.channels[i];
        if (!channel.power) continue;
        const core::PowerChain& chain = *channel.power;
        const double line_dbm =
            chain.ceiling_dbm + chain.coupling_db + chain.pads_db + chain.cable_db + chain.waveform_db;
        ports.push_back(
            {.name = fmt::format("{}, detector IN", channel.name.empty() ? channel.id : channel.name),
             .most = fmt::format("measures to {}: {} on the line", show(chain.ceiling_dbm, Unit::dbm), both(line_dbm)),
             .guard = "the most that it survives is in its data sheet"});
    }
}

}  // namespace

std::vector<Port> ports_of(const formats::Configuration& configuration) {
    const core::Plan& plan = configuration.plan;
    const core::Roles& roles = plan.roles;
    std::vector<Port> ports;
    add_drive_side(ports, configuration);
    if (plan.rf.rated_w > 0.0)
        ports.push_back({.name = "RF OUT",
                         .most = "rated for " + show(plan.rf.rated_w, Unit::watt),
                         .guard = guard_of(plan, roles.forward)});
    if (configuration.circulator_rating_w)
        ports.push_back({.name = "CIRCULATOR LOAD",
                         .most = fmt::format("never above {}", show(*configuration.circulator_rating_w, Unit::watt)),
                         .guard = guard_of(plan, plan.index(core::Derived::circulator_load))});
    if (configuration.nominal_supply_v) {
        add_supply(ports, plan, "SUPPLY", *configuration.nominal_supply_v, roles.supply);
        for (const std::uint16_t supply : roles.more_supplies)
            add_supply(ports, plan, core::describe(plan, supply).name, *configuration.nominal_supply_v, supply);
    }
    if (configuration.maximum_current_a) {
        std::string guard = guard_of(plan, roles.current);
        for (const core::Feed& feed : roles.more_feeds) guard += "; " + guard_of(plan, feed.current);
        ports.push_back({.name = "SUPPLY CURRENT",
                         .most = "never above " + show(*configuration.maximum_current_a, Unit::ampere),
                         .guard = std::move(guard)});
    }
    for (const core::StagePlan& stage : plan.stages)
        if (stage.nominal_supply_v)
            add_supply(ports, plan, stage.name + ", supply", *stage.nominal_supply_v, stage.roles.supply);
    add_detectors(ports, plan);
    return ports;
}

}  // namespace dekeyd::ctl::sheet
