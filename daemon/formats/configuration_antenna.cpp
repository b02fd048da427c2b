// antenna, exposure, plan: what leaves the antenna, and what is worked out before anything is keyed. None of it
// decides.
#include <array>
#include <cmath>

#include "core/rf.hpp"
#include "formats/configuration_parts.hpp"

namespace dekeyd::formats {
namespace {

std::optional<double> share(Section& section, std::string_view key) {
    const auto percent = section.quantity(key, Dimension::percent, Need::optional, Sign::positive);
    if (!percent) return std::nullopt;
    return *percent / 100.0;
}

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
        const auto gain = section.quantity("gain", Dimension::antenna_gain, Need::required);
        antenna.gain_dbi = gain.value_or(0.0);
        return;
    }
    section.allow("gain");
    Section dish = section.section("dish", Need::required);
    core::Dish described;
    const auto diameter = dish.quantity("diameter", Dimension::length, Need::required, Sign::positive);
    described.diameter_m = diameter.value_or(1.0);
    described.efficiency = share(dish, "efficiency").value_or(described.efficiency);
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
             .edition = fmt::format("{}, {}: check it there", limit->edition, core::text(limit->source))});
    }
}

void read_exposure(Section& top, Draft& draft) {
    Section section = top.section("exposure", Need::optional);
    if (!section.present()) return;
    const auto rule = section.choice<core::ExposureRule>(
        "rule", {{"fcc", core::ExposureRule::fcc}, {"icnirp-2020", core::ExposureRule::icnirp_2020}}, Need::optional);
    if (rule) add_rule(*rule, section, draft);
    if (const auto own = section.quantity("limit", Dimension::power_density, Need::optional, Sign::positive))
        draft.configuration.exposure.push_back(
            {.name = "own limit", .w_per_m2 = *own, .averaging_s = 0.0, .edition = {}});
    const auto ground = section.quantity("ground_reflection", Dimension::number, Need::optional);
    draft.configuration.ground_factor = ground.value_or(core::ground_usual);
    if (!section.has("rule") && !section.has("limit"))
        draft.report.fault(section.place(), section.path(), "neither 'rule' nor 'limit'",
                           "'rule: fcc', 'rule: icnirp-2020', or 'limit: 6 W/m2' from your country's rules");
    if (!draft.configuration.antenna && !top.has("antenna"))
        draft.report.fault(section.place(), section.path(), "a distance without an antenna",
                           "'antenna: {gain: 18 dBi}' or the like");
    section.finish();
}

std::optional<double> level_dbm(Section& section, std::string_view key, Need need) {
    const auto watts = section.quantity(key, Dimension::power, need, Sign::positive);
    return watts ? std::optional{core::dbm_from_watts(*watts)} : std::nullopt;
}

void read_drive_part(const Node& item, Place list_place, const std::string& path, Draft& draft, LevelPlan& plan) {
    Section section{&item, item.place.line == 0 ? list_place : item.place, path, draft.report};
    if (!section.present()) return;
    DrivePart part;
    part.name = section.text("name", Need::required).value_or("");
    const bool gain = section.has("gain"), loss = section.has("loss");
    const auto up = section.quantity("gain", Dimension::ratio_db, Need::optional, Sign::not_negative);
    const auto down = section.quantity("loss", Dimension::ratio_db, Need::optional, Sign::not_negative);
    if (gain == loss)
        draft.report.fault(section.place(), path, gain ? "both 'gain' and 'loss'" : "neither 'gain' nor 'loss'",
                           "'loss: 3 dB' for a cable or a pad, 'gain: 20 dB' for a driver");
    part.gain_db = gain ? up.value_or(0.0) : -down.value_or(0.0);
    part.maximum_input_dbm = level_dbm(section, "maximum_input", Need::optional);
    part.one_db_output_dbm = level_dbm(section, "one_db_output", Need::optional);
    section.finish();
    plan.parts.push_back(std::move(part));
}

}  // namespace

void read_antenna(Section& top, Draft& draft) {
    Section section = top.section("antenna", Need::optional);
    if (section.present()) {
        AntennaConfig antenna;
        read_gain(section, draft, antenna);
        antenna.duty = share(section, "duty").value_or(1.0);
        section.finish();
        draft.configuration.antenna = antenna;
    }
    read_exposure(top, draft);
}

void read_level_plan(Section& top, Draft& draft) {
    Section section = top.section("plan", Need::optional);
    if (!section.present()) return;
    LevelPlan plan;
    const auto wanted = section.quantity("wanted_forward", Dimension::power, Need::required, Sign::positive);
    Section exciter = section.section("exciter", Need::required);
    const auto lowest = level_dbm(exciter, "lowest", Need::required);
    const auto highest = level_dbm(exciter, "highest", Need::required);
    if (lowest && highest && *lowest > *highest)
        exciter.fault("lowest", "the exciter's least is above its most", "the least that it can be set to");
    exciter.finish();
    constexpr std::size_t most_parts = 9;  // amplifier, feeder and the prevention pad come beside them
    if (const Node* list = section.list("parts", Need::optional)) {
        if (list->items.size() > most_parts)
            section.fault("parts", fmt::format("{} parts", list->items.size()), fmt::format("at most {}", most_parts));
        for (std::size_t i = 0; i < list->items.size(); ++i)
            read_drive_part(list->items[i], list->place, fmt::format("plan.parts[{}]", i), draft, plan);
    }
    plan.ambient_c = section.quantity("ambient", Dimension::temperature, Need::optional).value_or(plan.ambient_c);
    plan.thermal_resistance_k_per_w =
        section.quantity("thermal_resistance", Dimension::thermal_resistance, Need::optional, Sign::positive);
    if (const auto efficiency = share(section, "efficiency")) plan.efficiency_percent = 100.0 * *efficiency;
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
