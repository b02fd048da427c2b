// `plan`: before anything is keyed, from the exciter to the antenna.
#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "core/exposure.hpp"
#include "core/level_budget.hpp"
#include "core/power.hpp"
#include "core/rf.hpp"
#include "dekeyctl/explain.hpp"
#include "formats/units.hpp"

namespace dekeyd::ctl {

using core::Unit;
using formats::show;

namespace {

using Rows = std::vector<std::string>;

void add(Rows& rows, const std::string& text) {
    for (std::string& row : paragraph(text)) rows.push_back(std::move(row));
}

std::string both(double dbm) {
    return fmt::format("{:.1f} dBm ({})", dbm, show(core::watts_from_dbm(dbm), Unit::watt));
}

struct Chain {
    std::vector<core::Stage> stages;
    std::size_t amplifier = 0;
};

Chain chain_of(const formats::Configuration& configuration) {
    const core::RfPlan& rf = configuration.plan.rf;
    Chain chain;
    for (const formats::DrivePart& part : configuration.level_plan->parts)
        chain.stages.push_back({part.name, part.gain_db, part.maximum_input_dbm, part.one_db_output_dbm});
    core::Stage amplifier{"Amplifier", rf.small_signal_gain_db.value_or(0.0), std::nullopt, std::nullopt};
    if (configuration.maximum_drive_w)
        amplifier.maximum_input_dbm = core::dbm_from_watts(*configuration.maximum_drive_w);
    if (configuration.one_db_forward_w)
        amplifier.one_db_output_dbm = core::dbm_from_watts(*configuration.one_db_forward_w);
    chain.amplifier = chain.stages.size();
    chain.stages.push_back(amplifier);
    chain.stages.push_back(
        {"Way to the antenna", -(rf.feeder_loss_db + rf.main_line_loss_db), std::nullopt, std::nullopt});
    return chain;
}

void add_levels(Rows& rows, const Chain& chain, const core::LevelBudget& budget) {
    const bool known = budget.result != core::ReachResult::saturated;
    rows.push_back(fmt::format("  {:<20}{:>10}{:>22}{:>12}{:>12}{:>24}", "", "gain", "in", "out", "compressed",
                               "in, exciter at its most"));
    rows.push_back(fmt::format("  {:<20}{:>10}{:>22}{:>12}{:>12}{:>24}", "Exciter", "", "",
                               known ? fmt::format("{:.1f} dBm", budget.needed_dbm) : "-", "", ""));
    for (std::size_t i = 0; i < budget.stages; ++i) {
        const core::StageLevels& at = budget.levels[i];
        const core::Stage& stage = chain.stages[i];
        const std::string most = fmt::format("{:.1f} dBm{}", at.highest_input_dbm, at.may_exceed ? " TOO MUCH" : "");
        rows.push_back(fmt::format("  {:<20}{:>10}{:>22}{:>12}{:>12}{:>24}", stage.name.substr(0, 20),
                                   fmt::format("{:+.1f} dB", stage.gain_db), known ? both(at.input_dbm) : "-",
                                   known ? fmt::format("{:.1f} dBm", at.output_dbm) : "-",
                                   known && stage.one_db_output_dbm ? fmt::format("{:.2f} dB", at.compression_db) : "",
                                   most));
    }
    rows.emplace_back();
}

void add_verdict(Rows& rows, const Chain& chain, const core::LevelBudget& budget, const formats::LevelPlan& plan) {
    const std::string wanted = show(plan.wanted_w, Unit::watt);
    const std::string range = fmt::format("{:.1f} to {:.1f} dBm", plan.exciter_lowest_dbm, plan.exciter_highest_dbm);
    switch (budget.result) {
        case core::ReachResult::reachable:
            add(rows, fmt::format("{} needs {} from the exciter, which gives {}: it can be reached.", wanted,
                                  both(budget.needed_dbm), range));
            break;
        case core::ReachResult::too_weak:
            add(rows,
                fmt::format("{} needs {} from the exciter, which gives {}: {:.1f} dB are missing. The most that "
                            "comes out is {}.",
                            wanted, both(budget.needed_dbm), range, budget.short_by_db, both(budget.highest_dbm)));
            break;
        case core::ReachResult::too_strong:
            add(rows,
                fmt::format("{} needs {} from the exciter, whose least is {:.1f} dBm: put a pad of at least {:.0f} "
                            "dB behind it.",
                            wanted, both(budget.needed_dbm), plan.exciter_lowest_dbm, std::ceil(budget.short_by_db)));
            break;
        case core::ReachResult::saturated:
            add(rows, fmt::format("{} is more than a stage can give, whatever the drive.", wanted));
            break;
        case core::ReachResult::refused: add(rows, "The numbers don't make a chain."); return;
    }
    for (std::size_t i = 0; i < budget.stages; ++i) {
        if (!budget.levels[i].may_exceed) continue;
        add(rows, fmt::format("DANGER: with the exciter at its most, {} gets {}, and {} is its maximum.",
                              chain.stages[i].name, both(budget.levels[i].highest_input_dbm),
                              both(*chain.stages[i].maximum_input_dbm)));
    }
    if (budget.may_exceed)
        add(rows, fmt::format("A pad of {:.0f} dB right behind the exciter prevents that; {}.", budget.pad_db,
                              budget.reachable_with_pad
                                  ? fmt::format("{} can still be reached with it", wanted)
                                  : fmt::format("with it {} can't be reached: turn the exciter's most down, or move "
                                                "the gain",
                                                wanted)));
    else
        add(rows, "No stage's maximum can be passed, however the exciter is set.");
    if (budget.result == core::ReachResult::saturated) return;
    const core::StageLevels& amplifier = budget.levels[chain.amplifier];
    if (amplifier.head_room_db)
        add(rows, *amplifier.head_room_db >= 0.0
                      ? fmt::format("Head-room of the amplifier: {:.1f} dB of output to its 1 dB point; {:.2f} dB "
                                    "compressed.",
                                    *amplifier.head_room_db, amplifier.compression_db)
                      : fmt::format("The amplifier is {:.1f} dB beyond its 1 dB point, {:.2f} dB compressed: the "
                                    "neighbours will see shoulders.",
                                    -*amplifier.head_room_db, amplifier.compression_db));
    else
        add(rows, "Head-room isn't known: 'one_db_forward: …' under 'amplifier:' gives the 1 dB point.");
}

void add_heat(Rows& rows, const formats::Configuration& configuration, double drive_w) {
    const formats::LevelPlan& plan = *configuration.level_plan;
    if (!plan.efficiency_percent) {
        add(rows, "Heat isn't known: 'efficiency: 46 %' under 'plan:' gives it.");
        return;
    }
    const double dc_w = plan.wanted_w * 100.0 / *plan.efficiency_percent;
    const double heat_w = std::max(0.0, dc_w + drive_w - plan.wanted_w);
    std::string settles;
    if (plan.thermal_resistance_k_per_w) {
        const double settling_c = plan.ambient_c + heat_w * *plan.thermal_resistance_k_per_w;
        settles = fmt::format(" The heatsink ({:g} K/W) settles at {} in air of {}", *plan.thermal_resistance_k_per_w,
                              show(std::round(settling_c), Unit::celsius), show(plan.ambient_c, Unit::celsius));
        const auto heatsink = configuration.plan.roles.heatsink;
        for (const core::LimitPlan& limit : configuration.plan.limits) {
            if (heatsink != limit.watch || limit.direction != core::Direction::above || !limit.trips) continue;
            settles +=
                settling_c >= limit.trip
                    ? fmt::format(", ABOVE the trip '{}' at {}", limit.id, show(limit.trip, Unit::celsius))
                : limit.warn && settling_c >= *limit.warn
                    ? fmt::format(", above the warning of '{}' at {}", limit.id, show(*limit.warn, Unit::celsius))
                    : fmt::format(", {:.0f} K below the trip '{}'", limit.trip - settling_c, limit.id);
        }
        settles += ".";
    }
    add(rows, fmt::format("At {:g} % efficiency it takes {} of DC and makes {} of heat.{}", *plan.efficiency_percent,
                          show(std::round(dc_w), Unit::watt), show(std::round(heat_w), Unit::watt), settles));
}

void add_detectors(Rows& rows, const formats::Configuration& configuration, double drive_dbm) {
    const core::Plan& plan = configuration.plan;
    const double wanted_dbm = core::dbm_from_watts(configuration.level_plan->wanted_w);
    const auto line = [&](std::uint16_t index, double dbm, const std::string& at) {
        const core::Channel& channel = plan.channels[index];
        const core::DetectorLevel level = core::detector_level(*channel.power, dbm);
        const std::string_view note = level.range == core::DetectorRange::at_floor ? "  below its floor"
                                      : level.range == core::DetectorRange::above_ceiling
                                          ? "  ABOVE its ceiling: add a pad"
                                          : "";
        rows.push_back(fmt::format("  {:<18}{:<22}{:>8.1f} dBm at the detector {:>8.3f} V{}", channel.id, at, level.dbm,
                                   level.volts, note));
    };
    rows.emplace_back();
    rows.emplace_back("  What the detectors show at the converter:");
    if (plan.roles.forward) line(*plan.roles.forward, wanted_dbm, "at the wanted power");
    if (plan.roles.reflected) {
        line(*plan.roles.reflected, wanted_dbm - core::return_loss_db(core::reflection_from_vswr(1.2)), "at VSWR 1.2");
        line(*plan.roles.reflected, wanted_dbm - core::return_loss_db(core::reflection_from_vswr(2.0)), "at VSWR 2");
    }
    if (plan.roles.drive) line(*plan.roles.drive, drive_dbm, "at the drive for it");
    rows.emplace_back();
}

}  // namespace

std::vector<std::string> plan_levels(const formats::Configuration& configuration) {
    Rows rows;
    const formats::LevelPlan& plan = *configuration.level_plan;
    const Chain chain = chain_of(configuration);
    core::LevelQuestion question;
    question.exciter_lowest_dbm = plan.exciter_lowest_dbm;
    question.exciter_highest_dbm = plan.exciter_highest_dbm;
    question.wanted_dbm = core::dbm_from_watts(plan.wanted_w);
    question.wanted_after = chain.amplifier;
    const core::LevelBudget budget = core::level_budget(chain.stages, question);
    rows.push_back(fmt::format("{} ({}): level budget for {} forward, nothing keyed", configuration.name,
                               configuration.id, show(plan.wanted_w, Unit::watt)));
    rows.emplace_back();
    if (budget.result != core::ReachResult::refused) add_levels(rows, chain, budget);
    add_verdict(rows, chain, budget, plan);
    const bool known = budget.result != core::ReachResult::refused && budget.result != core::ReachResult::saturated;
    if (known) {
        const double drive_dbm = budget.levels[chain.amplifier].input_dbm;
        add_heat(rows, configuration, core::watts_from_dbm(drive_dbm));
        add_detectors(rows, configuration, drive_dbm);
        const double antenna_w = core::watts_from_dbm(budget.levels[chain.amplifier + 1].output_dbm);
        if (configuration.antenna)
            add(rows, fmt::format("At the antenna: {}, EIRP {}.", show(antenna_w, Unit::watt),
                                  show(core::eirp_w(antenna_w, configuration.antenna->gain_dbi), Unit::watt)));
        rows.emplace_back();
    }
    for (std::string& row : exposure_rows(configuration)) rows.push_back(std::move(row));
    while (!rows.empty() && rows.back().empty()) rows.pop_back();
    return rows;
}

}  // namespace dekeyd::ctl
