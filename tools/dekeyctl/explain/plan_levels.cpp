// `plan`: before anything is keyed, from the exciter to the antenna.
#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "core/limit.hpp"
#include "dekeyctl/explain/explain.hpp"
#include "dekeyctl/explain/plan_verdicts.hpp"
#include "dekeyctl/json_output.hpp"
#include "maths/exposure.hpp"
#include "maths/level_budget.hpp"
#include "maths/power.hpp"
#include "maths/rf.hpp"
#include "messages/exposure_json.hpp"
#include "words/json_number.hpp"
#include "words/units.hpp"

namespace dekeyd::ctl {

using core::Unit;
using formats::show;

namespace {

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
    if (rf.rated_w > 0.0) amplifier.maximum_output_dbm = core::dbm_from_watts(rf.rated_w);
    chain.amplifier = chain.stages.size();
    chain.stages.push_back(amplifier);
    chain.stages.push_back(
        {"Way to the antenna", -(rf.feeder_loss_db + rf.main_line_loss_db), std::nullopt, std::nullopt});
    return chain;
}

void add_levels(Rows& rows, const Chain& chain, const core::LevelBudget& budget) {
    const bool known = budget.result != core::ReachResult::saturated;
    // Without the watts where there is no room for them.
    const bool narrow = rows.width < usual_width;
    const auto row = [&](std::string_view name, std::string_view gain, std::string_view in, std::string_view out,
                         std::string_view compressed, std::string_view most) {
        rows.push_back(fmt::format("  {:<18}{:>9}{:>{}}{:>10}{:>{}}{:>20}", name, gain, in, narrow ? 10 : 22, out,
                                   compressed, narrow ? 10 : 12, most));
    };
    row("", "gain", "in", "out", narrow ? "compr." : "compressed", narrow ? "in at most" : "exciter at most: in");
    row("Exciter", "", "", known ? fmt::format("{:.1f} dBm", budget.needed_dbm) : "-", "", "");
    for (std::size_t i = 0; i < budget.stages; ++i) {
        const core::StageLevels& at = budget.levels[i];
        const core::Stage& stage = chain.stages[i];
        const std::string in = narrow ? fmt::format("{:.1f} dBm", at.input_dbm) : both(at.input_dbm);
        row(stage.name.substr(0, 18), fmt::format("{:+.1f} dB", stage.gain_db), known ? in : "-",
            known ? fmt::format("{:.1f} dBm", at.output_dbm) : "-",
            known && stage.one_db_output_dbm ? fmt::format("{:.2f} dB", at.compression_db) : "",
            fmt::format("{:.1f} dBm{}", at.highest_input_dbm, at.may_exceed ? " TOO MUCH" : ""));
    }
    rows.emplace_back();
}

/// The maxima that the configuration doesn't state: nothing can be said of them.
std::string not_judged(const Chain& chain) {
    std::vector<std::string_view> inputs;
    for (std::size_t i = 0; i <= chain.amplifier; ++i)
        if (!chain.stages[i].maximum_input_dbm) inputs.push_back(chain.stages[i].name);
    std::string words;
    if (!inputs.empty()) words = fmt::format("the most that may go into {}", fmt::join(inputs, ", "));
    if (!chain.stages[chain.amplifier].maximum_output_dbm)
        words += fmt::format("{}the amplifier's rated power", words.empty() ? "" : "; ");
    return words.empty() ? words : fmt::format(" Not stated, and so not judged: {}.", words);
}

void add_dangers(Rows& rows, const Chain& chain, const core::LevelBudget& budget,
                 const formats::Configuration& configuration) {
    const core::Plan& plan = configuration.plan;
    const double wanted_w = configuration.level_plan->wanted_w;
    if (plan.rf.rated_w > 0.0 && wanted_w > plan.rf.rated_w)
        add(rows, fmt::format("DANGER: {} is more than the rated {}.", show(wanted_w, Unit::watt),
                              show(plan.rf.rated_w, Unit::watt)));
    const auto trip_w = core::lowest_sure_trip(plan, plan.roles.forward, {});
    const core::LimitPlan* trips = nullptr;
    for (const core::LimitPlan& limit : plan.limits)
        if (trip_w && plan.roles.forward == limit.watch && limit.trip == *trip_w && core::surely_trips(limit, {}))
            trips = &limit;
    for (std::size_t i = 0; i < budget.stages; ++i) {
        const core::StageLevels& at = budget.levels[i];
        const core::Stage& stage = chain.stages[i];
        if (at.may_exceed)
            add(rows, fmt::format("DANGER: with the exciter at its most, {} gets {}, and {} is its maximum.",
                                  stage.name, both(at.highest_input_dbm), both(*stage.maximum_input_dbm)));
        if (at.may_pass_output)
            add(rows,
                fmt::format("DANGER: with the exciter at its most, {} gives {}, and {} is what it is rated for; {}.",
                            stage.name, both(at.highest_output_dbm), both(*stage.maximum_output_dbm),
                            trips ? fmt::format("the limit '{}' trips at {}", trips->id, show(trips->trip, Unit::watt))
                                  : "no limit on forward power trips"));
    }
}

void add_verdict(Rows& rows, const Chain& chain, const core::LevelBudget& budget,
                 const formats::Configuration& configuration) {
    const formats::LevelPlan& plan = *configuration.level_plan;
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
            add(rows, fmt::format("{} is more than a stage can give at any drive.", wanted));
            break;
        case core::ReachResult::refused: add(rows, "The numbers don't make a chain."); return;
    }
    add_dangers(rows, chain, budget, configuration);
    if (budget.may_exceed)
        add(rows, fmt::format("A pad of {:.0f} dB right behind the exciter prevents that; {}.", budget.pad_db,
                              budget.reachable_with_pad
                                  ? fmt::format("{} can still be reached with it", wanted)
                                  : fmt::format("with it {} can't be reached: turn the exciter's most down, or move "
                                                "the gain",
                                                wanted)));
    else
        add(rows, fmt::format("No stated maximum can be passed, however the exciter is set.{}", not_judged(chain)));
    if (budget.result == core::ReachResult::saturated) return;
    for (std::size_t i = 0; i < chain.amplifier; ++i) {
        const auto& room = budget.levels[i].head_room_db;
        if (room && *room < 0.0)
            add(rows, fmt::format("{} is {:.1f} dB beyond its 1 dB point, {:.2f} dB compressed.", chain.stages[i].name,
                                  -*room, budget.levels[i].compression_db));
    }
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
    for (const std::string& sentence : drive_verdicts(configuration, {chain.stages, chain.amplifier, budget}))
        add(rows, sentence);
}

struct Heat {
    double dc_w, heat_w;
    std::optional<double> settling_c;
};

std::optional<Heat> heat_of(const formats::LevelPlan& plan, double drive_w) {
    if (!plan.efficiency_percent) return std::nullopt;
    Heat heat{.dc_w = plan.wanted_w * 100.0 / *plan.efficiency_percent, .heat_w = 0.0, .settling_c = {}};
    heat.heat_w = std::max(0.0, heat.dc_w + drive_w - plan.wanted_w);
    if (plan.thermal_resistance_k_per_w)
        heat.settling_c = plan.ambient_c + heat.heat_w * *plan.thermal_resistance_k_per_w;
    return heat;
}

void add_heat(Rows& rows, const formats::Configuration& configuration, double drive_w) {
    const formats::LevelPlan& plan = *configuration.level_plan;
    const std::optional<Heat> heat = heat_of(plan, drive_w);
    if (!heat) {
        add(rows, "Heat isn't known: 'efficiency: 46 %' under 'plan:' gives it.");
        return;
    }
    std::string settles;
    if (heat->settling_c) {
        const double settling_c = *heat->settling_c;
        settles = fmt::format(" The heatsink ({:g} K/W) settles at {} in air of {}", *plan.thermal_resistance_k_per_w,
                              show(std::round(settling_c), Unit::celsius), show(plan.ambient_c, Unit::celsius));
        const auto heatsink = configuration.plan.roles.heatsink;
        for (const core::LimitPlan& limit : configuration.plan.limits) {
            if (heatsink != limit.watch || limit.direction != core::Direction::above) continue;
            if (!core::may_trip(limit, {})) continue;
            settles +=
                settling_c >= limit.trip
                    ? fmt::format(", ABOVE the trip '{}' at {}", limit.id, show(limit.trip, Unit::celsius))
                : limit.warn && settling_c >= *limit.warn
                    ? fmt::format(", above the warning of '{}' at {}", limit.id, show(*limit.warn, Unit::celsius))
                    : fmt::format(", {:.0f} K below the trip '{}'", std::floor(limit.trip - settling_c), limit.id);
        }
        settles += ".";
    }
    add(rows,
        fmt::format("At {:g} % efficiency it takes {} of DC and makes {} of heat.{}", *plan.efficiency_percent,
                    show(std::round(heat->dc_w), Unit::watt), show(std::round(heat->heat_w), Unit::watt), settles));
    if (!heat->settling_c) return;
    if (const std::string verdict = cooling_verdict(configuration, heat->dc_w, drive_w, *heat->settling_c);
        !verdict.empty())
        add(rows, verdict);
}

struct Shown {
    std::string_view id, at;
    core::DetectorLevel level;
};

std::vector<Shown> detectors_show(const formats::Configuration& configuration, double drive_dbm) {
    const core::Plan& plan = configuration.plan;
    const double wanted_dbm = core::dbm_from_watts(configuration.level_plan->wanted_w);
    std::vector<Shown> all;
    const auto add = [&](const std::optional<std::uint16_t>& role, double dbm, std::string_view at) {
        if (!role) return;
        const core::Channel& channel = plan.channels[*role];
        all.push_back({channel.id, at, core::detector_level(*channel.power, dbm)});
    };
    const auto returned = [&](double vswr) {
        return wanted_dbm - core::return_loss_db(core::reflection_from_vswr(vswr));
    };
    add(plan.roles.forward, wanted_dbm, "at the wanted power");
    add(plan.roles.reflected, returned(1.2), "at VSWR 1.2");
    add(plan.roles.reflected, returned(2.0), "at VSWR 2");
    add(plan.roles.drive, drive_dbm, "at the drive for it");
    return all;
}

void add_detectors(Rows& rows, const formats::Configuration& configuration, double drive_dbm) {
    rows.emplace_back();
    rows.emplace_back("  What the detectors show at the converter:");
    for (const Shown& shown : detectors_show(configuration, drive_dbm)) {
        const std::string_view note = shown.level.range == core::DetectorRange::at_floor ? "  below its floor"
                                      : shown.level.range == core::DetectorRange::above_ceiling
                                          ? "  ABOVE its ceiling: add a pad"
                                          : "";
        rows.push_back(fmt::format("  {:<16}{:<21}{:>7.1f} dBm at the detector {:>7.3f} V{}", shown.id, shown.at,
                                   shown.level.dbm, shown.level.volts, note));
    }
    rows.emplace_back();
}

core::LevelBudget budget_of(const formats::LevelPlan& plan, const Chain& chain) {
    core::LevelQuestion question;
    question.exciter_lowest_dbm = plan.exciter_lowest_dbm;
    question.exciter_highest_dbm = plan.exciter_highest_dbm;
    question.wanted_dbm = core::dbm_from_watts(plan.wanted_w);
    question.wanted_after = chain.amplifier;
    return core::level_budget(chain.stages, question);
}

/// Levels mean something.
bool is_known(const core::LevelBudget& budget) {
    return budget.result != core::ReachResult::refused && budget.result != core::ReachResult::saturated;
}

}  // namespace

std::vector<std::string> plan_levels(const formats::Configuration& configuration, std::size_t width) {
    Rows rows{width};
    const formats::LevelPlan& plan = *configuration.level_plan;
    const Chain chain = chain_of(configuration);
    const core::LevelBudget budget = budget_of(plan, chain);
    rows.push_back(fmt::format("{} ({}): level budget for {} forward, nothing keyed", configuration.name,
                               configuration.id, show(plan.wanted_w, Unit::watt)));
    rows.emplace_back();
    if (budget.result != core::ReachResult::refused) add_levels(rows, chain, budget);
    add_verdict(rows, chain, budget, configuration);
    if (is_known(budget)) {
        const double drive_dbm = budget.levels[chain.amplifier].input_dbm;
        add_heat(rows, configuration, core::watts_from_dbm(drive_dbm));
        add_detectors(rows, configuration, drive_dbm);
        const double antenna_w = core::watts_from_dbm(budget.levels[chain.amplifier + 1].output_dbm);
        if (configuration.antenna)
            add(rows, fmt::format("At the antenna: {}, EIRP {}.", show(antenna_w, Unit::watt),
                                  show(core::eirp_w(antenna_w, configuration.antenna->gain_dbi), Unit::watt)));
        rows.emplace_back();
    }
    for (std::string& row : exposure_rows(configuration, width)) rows.push_back(std::move(row));
    while (!rows.empty() && rows.back().empty()) rows.pop_back();
    return rows;
}

nlohmann::ordered_json plan_json(const formats::Configuration& configuration) {
    using formats::json_number;
    const formats::LevelPlan& plan = *configuration.level_plan;
    const Chain chain = chain_of(configuration);
    const core::LevelBudget budget = budget_of(plan, chain);
    const bool known = is_known(budget);
    const auto if_known = [&](double value) { return known ? json_number(value) : nlohmann::ordered_json(nullptr); };
    nlohmann::ordered_json stages = nlohmann::ordered_json::array();
    for (std::size_t i = 0; i < budget.stages; ++i) {
        const core::StageLevels& at = budget.levels[i];
        stages.push_back(
            {{"name", chain.stages[i].name},
             {"gain_db", json_number(chain.stages[i].gain_db)},
             {"in_dbm", if_known(at.input_dbm)},
             {"out_dbm", if_known(at.output_dbm)},
             {"compression_db", if_known(at.compression_db)},
             {"head_room_db", known ? number_or_null(at.head_room_db) : nlohmann::ordered_json(nullptr)},
             {"highest_in_dbm", json_number(at.highest_input_dbm)},
             {"maximum_in_dbm", number_or_null(chain.stages[i].maximum_input_dbm)},
             {"may_exceed", at.may_exceed},
             {"highest_out_dbm", json_number(at.highest_output_dbm)},
             {"maximum_out_dbm", number_or_null(chain.stages[i].maximum_output_dbm)},
             {"may_pass_output", at.may_pass_output},
             {"drive", known ? drive_verdict_json(configuration, {chain.stages, chain.amplifier, budget}, i)
                             : nlohmann::ordered_json(nullptr)}});
    }
    nlohmann::ordered_json all{{"id", configuration.id},
                               {"name", configuration.name},
                               {"wanted_w", json_number(plan.wanted_w)},
                               {"result", core::text(budget.result)},
                               {"needed_dbm", if_known(budget.needed_dbm)},
                               {"short_by_db", json_number(budget.short_by_db)},
                               {"highest_dbm", json_number(budget.highest_dbm)},
                               {"may_exceed", budget.may_exceed},
                               {"pad_db", json_number(budget.pad_db)},
                               {"reachable_with_pad", budget.reachable_with_pad},
                               {"stages", std::move(stages)},
                               {"heat", nullptr},
                               {"detectors", nlohmann::ordered_json::array()},
                               {"antenna_w", nullptr},
                               {"exposure", formats::exposure_json(configuration)}};
    if (!known) return all;
    const double drive_dbm = budget.levels[chain.amplifier].input_dbm;
    if (const auto heat = heat_of(plan, core::watts_from_dbm(drive_dbm)))
        all["heat"] = {{"dc_w", json_number(heat->dc_w)},
                       {"heat_w", json_number(heat->heat_w)},
                       {"settling_c", number_or_null(heat->settling_c)}};
    for (const Shown& shown : detectors_show(configuration, drive_dbm))
        all["detectors"].push_back({{"id", shown.id},
                                    {"at", shown.at},
                                    {"dbm", json_number(shown.level.dbm)},
                                    {"volts", json_number(shown.level.volts)}});
    all["antenna_w"] = json_number(core::watts_from_dbm(budget.levels[chain.amplifier + 1].output_dbm));
    return all;
}

}  // namespace dekeyd::ctl
