// The parts in the way of the signal, and of what is taken from it for the detectors.
#include <fmt/format.h>

#include <algorithm>

#include "dekeyctl/explain/explain.hpp"
#include "dekeyctl/sheet/station.hpp"
#include "maths/rf.hpp"
#include "words/units.hpp"

namespace dekeyd::ctl::sheet {
namespace {

using formats::Configuration;
using formats::MainLinePart;
using formats::show;

std::string decibels(double db) {
    return show(db, core::Unit::decibel);
}

/// What is measured of a stage, and at which levels its limits trip.
void describe_stage(Part& part, const Configuration& configuration, const core::StagePlan& stage,
                    const std::vector<Wire>& wires) {
    const core::Plan& plan = configuration.plan;
    if (stage.nominal_supply_v) part.notes.push_back("nominal " + show(*stage.nominal_supply_v, core::Unit::volt));
    std::string levels;
    for (const core::LimitPlan& limit : plan.limits)
        if (core::stage_of(plan, limit.watch) == &stage && limit.trips)
            levels += fmt::format("{}{} {}", levels.empty() ? "trips at " : ", ",
                                  limit.direction == core::Direction::above ? "≥" : "≤",
                                  show(limit.trip, core::describe(plan, limit.watch).unit));
    part.notes.push_back(std::move(levels));
    for (const Wire& wire : wires)
        if (wire.channel && core::stage_of(plan, *wire.channel) == &stage) part.marks.push_back(wire.mark);
}

/// The stages that the level plan doesn't name among its parts, each a part before the amplifier.
void add_stages(std::vector<Part>& chain, const Configuration& configuration, const std::vector<Wire>& wires) {
    for (const core::StagePlan& stage : configuration.plan.stages) {
        const auto named =
            std::find_if(chain.begin(), chain.end(), [&](const Part& part) { return part.name == stage.name; });
        Part& part =
            named != chain.end()
                ? *named
                : chain.emplace_back(Part{.name = stage.name, .notes = {}, .rating = {}, .marks = {}, .below = {}});
        describe_stage(part, configuration, stage, wires);
    }
}

void add_exciter(std::vector<Part>& chain, const Configuration& configuration) {
    if (!configuration.level_plan) {
        if (configuration.maximum_drive_w || configuration.plan.roles.drive)
            chain.push_back({.name = "Exciter", .notes = {}, .rating = {}, .marks = {}, .below = {}});
        return;
    }
    const formats::LevelPlan& plan = *configuration.level_plan;
    chain.push_back({.name = "Exciter",
                     .notes = {fmt::format("{} to {}", show(plan.exciter_lowest_dbm, core::Unit::dbm),
                                           show(plan.exciter_highest_dbm, core::Unit::dbm))},
                     .rating = {},
                     .marks = {},
                     .below = {}});
    for (const formats::DrivePart& part : plan.parts) {
        Part shown{
            .name = part.name,
            .notes = {part.gain_db >= 0.0 ? "gain " + decibels(part.gain_db) : "loss " + decibels(-part.gain_db)},
            .rating = {},
            .marks = {},
            .below = {}};
        if (part.one_db_output_dbm)
            shown.notes.push_back("1 dB point " +
                                  show(core::watts_from_dbm(*part.one_db_output_dbm), core::Unit::watt));
        if (part.maximum_input_dbm)
            shown.rating = fmt::format("IN max. {}", show(*part.maximum_input_dbm, core::Unit::dbm));
        chain.push_back(std::move(shown));
    }
}

Part amplifier_part(const Configuration& configuration, const std::vector<Wire>& wires) {
    const core::Plan& plan = configuration.plan;
    const core::Roles& roles = plan.roles;
    Part part{.name = "Amplifier", .notes = {}, .rating = {}, .marks = {}, .below = {}};
    if (plan.rf.rated_w > 0.0) part.notes.push_back("rated " + show(plan.rf.rated_w, core::Unit::watt));
    if (plan.rf.small_signal_gain_db) part.notes.push_back("gain " + decibels(*plan.rf.small_signal_gain_db));
    if (configuration.maximum_drive_w)
        part.rating = fmt::format("IN max. {}", show(*configuration.maximum_drive_w, core::Unit::watt));
    for (const Wire& wire : wires)
        if (wire.bus.empty()) part.marks.push_back(wire.mark);
    std::vector<std::optional<std::uint16_t>> measured{roles.heatsink, roles.fan,          roles.supply,
                                                       roles.current,  roles.enable_sense, roles.contactor_sense};
    measured.insert(measured.end(), roles.more_fans.begin(), roles.more_fans.end());
    measured.insert(measured.end(), roles.more_supplies.begin(), roles.more_supplies.end());
    for (const core::Feed& feed : roles.more_feeds) measured.emplace_back(feed.current);
    for (std::string& mark : marks_of(wires, measured)) part.marks.push_back(std::move(mark));
    return part;
}

Part coupler_part(const Configuration& configuration, const std::vector<Wire>& wires) {
    const core::Plan& plan = configuration.plan;
    Part part{.name = "Coupler",
              .notes = {},
              .rating = {},
              .marks = marks_of(wires, {plan.roles.forward, plan.roles.reflected}),
              .below = {}};
    if (plan.rf.directivity_db) part.notes.push_back("directivity " + decibels(*plan.rf.directivity_db));
    return part;
}

Part antenna_part(const Configuration& configuration) {
    Part part{.name = "Antenna", .notes = {}, .rating = {}, .marks = {}, .below = {}};
    if (!configuration.antenna) return part;
    const formats::AntennaConfig& antenna = *configuration.antenna;
    if (antenna.dish) part.notes.push_back(fmt::format("dish, {:g} m", antenna.dish->diameter_m));
    part.notes.push_back(fmt::format("{:.1f} dBi", antenna.gain_dbi));
    return part;
}

Part circulator_part(const Configuration& configuration) {
    Part part{.name = "Circulator", .notes = {}, .rating = {}, .marks = {}, .below = {"Load"}};
    if (configuration.circulator_rating_w)
        part.below.push_back("max. " + show(*configuration.circulator_rating_w, core::Unit::watt));
    return part;
}

Part main_line_part(MainLinePart which, const Configuration& configuration, const std::vector<Wire>& wires) {
    const core::RfPlan& rf = configuration.plan.rf;
    switch (which) {
        case MainLinePart::amplifier: return amplifier_part(configuration, wires);
        case MainLinePart::circulator: return circulator_part(configuration);
        case MainLinePart::coupler: return coupler_part(configuration, wires);
        case MainLinePart::antenna: return antenna_part(configuration);
        case MainLinePart::low_pass_filter:
            return {.name = "Low-pass filter", .notes = {}, .rating = {}, .marks = {}, .below = {}};
        case MainLinePart::feeder: break;
    }
    Part feeder{.name = "Feeder", .notes = {}, .rating = {}, .marks = {}, .below = {}};
    if (rf.feeder_loss_db > 0.0) feeder.notes.push_back("loss " + decibels(rf.feeder_loss_db));
    return feeder;
}

/// As configured, else what other sections speak of.
std::vector<MainLinePart> order_of(const Configuration& configuration) {
    if (!configuration.main_line.empty()) return configuration.main_line;
    const core::Roles& roles = configuration.plan.roles;
    std::vector<MainLinePart> order{MainLinePart::amplifier};
    if (configuration.circulator_rating_w) order.push_back(MainLinePart::circulator);
    if (roles.forward || roles.reflected) order.push_back(MainLinePart::coupler);
    if (configuration.plan.rf.feeder_loss_db > 0.0) order.push_back(MainLinePart::feeder);
    order.push_back(MainLinePart::antenna);
    return order;
}

std::string_view port_name(const core::Roles& roles, std::uint16_t channel) {
    if (roles.forward == channel) return "Coupler, forward";
    if (roles.reflected == channel) return "Coupler, reflected";
    if (roles.drive == channel) return "Drive coupler";
    return "Coupler";
}

}  // namespace

std::vector<Part> main_chain(const Configuration& configuration, const std::vector<Wire>& wires) {
    std::vector<Part> chain;
    add_exciter(chain, configuration);
    add_stages(chain, configuration, wires);
    const std::vector<MainLinePart> order = order_of(configuration);
    for (const MainLinePart which : order) {
        if (which == MainLinePart::amplifier && configuration.plan.roles.drive)
            chain.push_back({.name = "Drive coupler",
                             .notes = {},
                             .rating = {},
                             .marks = marks_of(wires, {configuration.plan.roles.drive}),
                             .below = {}});
        chain.push_back(main_line_part(which, configuration, wires));
    }
    return chain;
}

std::vector<std::vector<Part>> detector_chains(const Configuration& configuration, const std::vector<Wire>& wires) {
    const core::Plan& plan = configuration.plan;
    std::vector<std::vector<Part>> chains;
    for (std::size_t i = 0; i < plan.channels.size(); ++i) {
        const core::Channel& channel = plan.channels[i];
        if (!channel.power) continue;
        const auto index = static_cast<std::uint16_t>(i);
        const core::PowerChain& power = *channel.power;
        std::vector<Part> chain;
        const auto add = [&](std::string_view name, std::vector<std::string> notes) -> Part& {
            chain.push_back(
                {.name = std::string{name}, .notes = std::move(notes), .rating = {}, .marks = {}, .below = {}});
            return chain.back();
        };
        add(port_name(plan.roles, index), {decibels(power.coupling_db) + " down"});
        if (power.pads_db > 0.0) add("Pads", {decibels(power.pads_db)});
        if (power.cable_db > 0.0) add("Cable", {"loss " + decibels(power.cable_db)});
        add("Detector", {law(power.detector), power.calibration_pending ? "calibration pending" : ""});
        for (const Wire& wire : wires)
            if (wire.channel == index) add(wire.carries, {wire.bus + ", " + wire.board}).marks.push_back(wire.mark);
        chains.push_back(std::move(chain));
    }
    return chains;
}

}  // namespace dekeyd::ctl::sheet
