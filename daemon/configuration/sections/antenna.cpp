// antenna, exposure, plan: what leaves the antenna, and what is worked out before anything is keyed. None of it
// decides.
#include <array>
#include <cmath>

#include "configuration/parts.hpp"
#include "maths/rf.hpp"

namespace dekeyd::formats {
namespace {

using namespace row_units;

constexpr std::array exposure_rules{Word{"fcc", core::ExposureRule::fcc},
                                    Word{"icnirp-2020", core::ExposureRule::icnirp_2020}};

constexpr std::array antenna_rows{
    KeyRow{.path = "antenna",
           .kind = KeyKind::section,
           .says = "For EIRP and the distance at which the exposure limits are met; it decides nothing."},
    KeyRow{.path = "antenna.gain",
           .kind = KeyKind::quantity,
           .dimension = Dimension::antenna_gain,
           .need = Need::required,
           .when = "without 'dish'",
           .between = fixed(-40.0, 80.0, "no antenna has it"),
           .says = "Its gain."},
    KeyRow{.path = "antenna.dish",
           .kind = KeyKind::section,
           .need = Need::required,
           .when = "without 'gain'",
           .says = "A dish, whose gain is worked out at the frequency."},
    KeyRow{.path = "antenna.dish.diameter",
           .kind = KeyKind::quantity,
           .dimension = Dimension::length,
           .sign = Sign::positive,
           .need = Need::required,
           .between = fixed(0.01, 500.0, "no dish has it"),
           .says = "Its diameter."},
    KeyRow{.path = "antenna.dish.efficiency",
           .kind = KeyKind::quantity,
           .dimension = Dimension::percent,
           .sign = Sign::positive,
           .between = fixed(1.0, 100.0, "it is a share of the dish"),
           .usual = "55 %",
           .says = "The share of its area that counts."},
    KeyRow{.path = "antenna.duty",
           .kind = KeyKind::quantity,
           .dimension = Dimension::percent,
           .sign = Sign::positive,
           .between = fixed(0.01, 100.0, "it is a share of the time"),
           .usual = "100 %",
           .says = "The share of the averaging time that is sent."},
    KeyRow{.path = "exposure", .kind = KeyKind::section, .says = "The limits that the distance is worked out for."},
    KeyRow{.path = "exposure.rule",
           .kind = KeyKind::word,
           .need = Need::required,
           .when = "without 'limit'",
           .words = exposure_rules,
           .says = "Presets by frequency: fcc (47 CFR 1.1310) or icnirp-2020."},
    KeyRow{.path = "exposure.limit",
           .kind = KeyKind::quantity,
           .dimension = Dimension::power_density,
           .sign = Sign::positive,
           .need = Need::required,
           .when = "without 'rule'",
           .between = fixed(0.001, 10e3, "no rule has it"),
           .says = "A limit from your own country's rules."},
    KeyRow{.path = "exposure.ground_reflection",
           .kind = KeyKind::quantity,
           .dimension = Dimension::number,
           .between = fixed(core::ground_none, core::ground_perfect, "1 is free space, 2.56 usual, 4 a perfect mirror"),
           .usual = "2.56",
           .says = "Multiplies power density: 1 in free space, 4 over a perfect mirror.",
           .into = [](const Given& v) { v.draft.configuration.ground_factor = v.number; }},
    KeyRow{.path = "plan",
           .kind = KeyKind::section,
           .says = "The figures for `dekeyctl plan`, which works out the levels before anything is keyed; it decides "
                   "nothing."},
    KeyRow{.path = "plan.wanted_forward",
           .kind = KeyKind::quantity,
           .dimension = Dimension::power,
           .sign = Sign::positive,
           .need = Need::required,
           .between = fixed(1 * mw, 100 * kw, "no amplifier gives it"),
           .says = "The wanted forward power."},
    KeyRow{.path = "plan.exciter", .kind = KeyKind::section, .need = Need::required, .says = "The exciter."},
    KeyRow{.path = "plan.exciter.lowest",
           .kind = KeyKind::quantity,
           .dimension = Dimension::power,
           .sign = Sign::positive,
           .need = Need::required,
           .between = fixed(1e-15, 10 * kw, "no exciter gives it"),
           .says = "The least that it can be set to."},
    KeyRow{.path = "plan.exciter.highest",
           .kind = KeyKind::quantity,
           .dimension = Dimension::power,
           .sign = Sign::positive,
           .need = Need::required,
           .between = fixed(1e-12, 10 * kw, "no exciter gives it"),
           .says = "The most that it may ever put out."},
    KeyRow{.path = "plan.parts",
           .kind = KeyKind::sections,
           .says = "The parts between exciter and amplifier, in order; at most nine."},
    KeyRow{.path = "plan.parts.name", .kind = KeyKind::text, .need = Need::required, .says = "Its name."},
    KeyRow{.path = "plan.parts.gain",
           .kind = KeyKind::quantity,
           .dimension = Dimension::ratio_db,
           .sign = Sign::not_negative,
           .need = Need::required,
           .when = "without 'loss'",
           .between = fixed(0.0, 100.0, "no stage has it"),
           .says = "Of a driver."},
    KeyRow{.path = "plan.parts.loss",
           .kind = KeyKind::quantity,
           .dimension = Dimension::ratio_db,
           .sign = Sign::not_negative,
           .need = Need::required,
           .when = "without 'gain'",
           .between = fixed(0.0, 100.0, "no part has it"),
           .says = "Of a cable or a pad."},
    KeyRow{.path = "plan.parts.maximum_input",
           .kind = KeyKind::quantity,
           .dimension = Dimension::power,
           .sign = Sign::positive,
           .between = fixed(1e-9, 100 * kw, "no part bears or needs that"),
           .says = "The most that it bears."},
    KeyRow{.path = "plan.parts.one_db_output",
           .kind = KeyKind::quantity,
           .dimension = Dimension::power,
           .sign = Sign::positive,
           .between = fixed(1e-9, 100 * kw, "no part gives it"),
           .says = "Its output at 1 dB of compression."},
    KeyRow{.path = "plan.ambient",
           .kind = KeyKind::quantity,
           .dimension = Dimension::temperature,
           .between = fixed(-60.0, 80.0, "no amplifier stands there"),
           .usual = "25 degC",
           .says = "The air at the intake."},
    KeyRow{.path = "plan.thermal_resistance",
           .kind = KeyKind::quantity,
           .dimension = Dimension::thermal_resistance,
           .sign = Sign::positive,
           .between = fixed(0.001, 50.0, "no heatsink has it"),
           .says = "From the heatsink to the air."},
    KeyRow{.path = "plan.efficiency",
           .kind = KeyKind::quantity,
           .dimension = Dimension::percent,
           .sign = Sign::positive,
           .between = fixed(1.0, 100.0, "it is a share of the power"),
           .says = "At the wanted power."},
};

void read_gain(Section& section, Draft& draft, AntennaConfig& antenna) {
    const auto frequency = draft.configuration.frequency_hz;
    if (section.has("gain") == section.has("dish")) {
        draft.report.fault(section.place(), section.path(),
                           section.has("gain") ? "both 'gain' and 'dish'" : "neither 'gain' nor 'dish'",
                           "one of them: 'gain: 18 dBi', or 'dish: {diameter: 1.2 m, efficiency: 55 %}'");
        section.allow("gain");
        section.allow("dish");
        return;
    }
    if (section.has("gain")) {
        section.allow("dish");
        const auto gain = section.quantity("gain");
        antenna.gain_dbi = gain.value_or(0.0);
        return;
    }
    section.allow("gain");
    Section dish = section.section("dish");
    core::Dish described;
    const auto diameter = dish.quantity("diameter");
    described.diameter_m = diameter.value_or(1.0);
    described.efficiency = dish.quantity_or_usual("efficiency") / 100.0;
    dish.finish();
    if (!frequency) {
        draft.report.fault(dish.place(), dish.path(), "a dish's gain depends on the frequency, which is not given",
                           "'frequency: 1.26 GHz' under 'amplifier:'");
        return;
    }
    antenna.dish = described;
    antenna.gain_dbi = core::dish_gain_dbi(described, *frequency);
}

void add_rule(core::ExposureRule rule, Section& section, Draft& draft) {
    const auto frequency = draft.configuration.frequency_hz;
    if (!frequency) {
        section.fault("rule", "the limit depends on the frequency, which is not given",
                      "'frequency: 1.26 GHz' under 'amplifier:'");
        return;
    }
    for (const auto group : {core::ExposureGroup::general_public, core::ExposureGroup::occupational}) {
        const auto limit = core::exposure_limit(rule, group, *frequency);
        if (!limit) {
            section.fault("rule", fmt::format("this rule has no power-density limit at {:.6g} MHz", *frequency / 1e6),
                          "'limit: … W/m2' with the figure of your country's rules");
            return;
        }
        draft.configuration.exposure.push_back(
            {.name = group == core::ExposureGroup::general_public ? "general public" : "occupational",
             .w_per_m2 = limit->w_per_m2,
             .averaging_s = limit->averaging_s,
             .edition = fmt::format("{}, read second-hand: check it there", limit->edition)});
    }
}

void read_exposure(Section& top, Draft& draft) {
    Section section = top.section("exposure");
    if (!section.present()) return;
    const auto rule = section.choice("rule", exposure_rules, Need::optional);
    if (rule) add_rule(static_cast<core::ExposureRule>(*rule), section, draft);
    if (const auto own = section.quantity("limit", Need::optional))
        draft.configuration.exposure.push_back(
            {.name = "own limit", .w_per_m2 = *own, .averaging_s = 0.0, .edition = {}});
    read_keys(section, draft);
    if (!section.has("rule") && !section.has("limit"))
        draft.report.fault(section.place(), section.path(), "neither 'rule' nor 'limit'",
                           "'rule: fcc', 'rule: icnirp-2020', or 'limit: 6 W/m2' from your country's rules");
    if (!draft.configuration.antenna && !top.has("antenna"))
        draft.report.fault(section.place(), section.path(), "a distance without an antenna",
                           "'antenna: {gain: 18 dBi}' or the like");
    section.finish();
}

std::optional<double> level_dbm(Section& section, std::string_view key) {
    const auto watts = section.quantity(key);
    return watts ? std::optional{core::dbm_from_watts(*watts)} : std::nullopt;
}

void read_drive_part(const Node& item, Place list_place, const std::string& path, Draft& draft, LevelPlan& plan) {
    Section section{&item, item.place.line == 0 ? list_place : item.place, path, draft.report};
    if (!section.present()) return;
    DrivePart part;
    part.name = section.text("name").value_or("");
    const bool gain = section.has("gain"), loss = section.has("loss");
    const auto up = section.quantity("gain", Need::optional);
    const auto down = section.quantity("loss", Need::optional);
    if (gain == loss)
        draft.report.fault(section.place(), path, gain ? "both 'gain' and 'loss'" : "neither 'gain' nor 'loss'",
                           "'loss: 3 dB' for a cable or a pad, 'gain: 20 dB' for a driver");
    part.gain_db = gain ? up.value_or(0.0) : -down.value_or(0.0);
    part.maximum_input_dbm = level_dbm(section, "maximum_input");
    part.one_db_output_dbm = level_dbm(section, "one_db_output");
    section.finish();
    plan.parts.push_back(std::move(part));
}

}  // namespace

std::span<const KeyRow> antenna_keys() {
    return antenna_rows;
}

void read_antenna(Section& top, Draft& draft) {
    Section section = top.section("antenna");
    if (section.present()) {
        AntennaConfig antenna;
        read_gain(section, draft, antenna);
        antenna.duty = section.quantity_or_usual("duty") / 100.0;
        section.finish();
        draft.configuration.antenna = antenna;
    }
    read_exposure(top, draft);
}

void read_level_plan(Section& top, Draft& draft) {
    Section section = top.section("plan");
    if (!section.present()) return;
    LevelPlan plan;
    const auto wanted = section.quantity("wanted_forward");
    Section exciter = section.section("exciter");
    const auto lowest = level_dbm(exciter, "lowest");
    const auto highest = level_dbm(exciter, "highest");
    if (lowest && highest && *lowest > *highest)
        exciter.fault("lowest", "the exciter's least is above its most", "the least that it can be set to");
    exciter.finish();
    constexpr std::size_t most_parts = 9;  // amplifier, feeder and the prevention pad come beside them
    if (const Node* list = section.list("parts")) {
        if (list->items.size() > most_parts)
            section.fault("parts", fmt::format("{} parts", list->items.size()), fmt::format("at most {}", most_parts));
        for (std::size_t i = 0; i < list->items.size(); ++i)
            read_drive_part(list->items[i], list->place, fmt::format("plan.parts[{}]", i), draft, plan);
    }
    plan.ambient_c = section.quantity_or_usual("ambient");
    plan.thermal_resistance_k_per_w = section.quantity("thermal_resistance");
    plan.efficiency_percent = section.quantity("efficiency");
    section.finish();
    if (!draft.plan().rf.small_signal_gain_db)
        draft.report.fault(section.place(), section.path(), "the amplifier's gain is not given",
                           "'small_signal_gain: 18 dB' under 'amplifier:'");
    if (!wanted || !lowest || !highest) return;
    plan.wanted_w = *wanted;
    plan.exciter_lowest_dbm = *lowest;
    plan.exciter_highest_dbm = *highest;
    draft.configuration.level_plan = std::move(plan);
}

}  // namespace dekeyd::formats
