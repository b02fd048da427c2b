// stages: the parts before the amplifier that have sensors and limits of their own, such as a driver.
#include <fmt/format.h>

#include <algorithm>
#include <array>

#include "configuration/parts.hpp"
#include "words/nearest.hpp"

namespace dekeyd::formats {
namespace {

using namespace row_units;

constexpr std::array stage_rows{
    KeyRow{.path = "stages",
           .kind = KeyKind::named,
           .says = "The parts before the amplifier with sensors and limits of their own, such as a driver."},
    KeyRow{.path = "stages.*", .kind = KeyKind::section, .says = "One stage; sensors say 'stage:' with its id."},
    KeyRow{.path = "stages.*.name",
           .kind = KeyKind::text,
           .usual_words = "the id in words",
           .says = "Its name for people, with which those of its sensors and limits begin."},
    KeyRow{.path = "stages.*.nominal_supply",
           .kind = KeyKind::quantity,
           .dimension = Dimension::voltage,
           .sign = Sign::positive,
           .between = fixed(1.0, 10 * kw, "no amplifier is supplied with it"),
           .says = "The voltage that limits in per cent on this stage's supply refer to."},
};

char lower(char c) {
    return c >= 'A' && c <= 'Z' ? static_cast<char>(c - 'A' + 'a') : c;
}

bool part_of_a_word(char c) {
    const char small = lower(c);
    return (small >= 'a' && small <= 'z') || (c >= '0' && c <= '9') || (static_cast<unsigned char>(c) & 0x80U) != 0U;
}

/// "Driver heatsink" and "driver: fan" name the driver; "Drivers" doesn't.
bool begins_with_name(std::string_view name, std::string_view stage) {
    if (name.size() < stage.size()) return false;
    const bool same = std::equal(stage.begin(), stage.end(), name.begin(),
                                 [](char one, char other) { return lower(one) == lower(other); });
    return same && (name.size() == stage.size() || !part_of_a_word(name[stage.size()]));
}

}  // namespace

std::span<const KeyRow> stage_keys() {
    return stage_rows;
}

std::string name_in_stage(const core::StagePlan* stage, std::string name) {
    if (stage == nullptr || begins_with_name(name, stage->name)) return name;
    return fmt::format("{}: {}", stage->name, name);
}

void read_stages(Section& top, Draft& draft) {
    Section section = top.section("stages");
    for (const Entry* entry : section.named_entries(most_stages)) {
        Section one{&entry->value, entry->place, section.path_of(entry->key), draft.report};
        core::StagePlan stage;
        stage.id = entry->key;
        stage.name = one.text("name").value_or(words_from_id(entry->key));
        stage.nominal_supply_v = one.quantity("nominal_supply");
        one.finish();
        for (const core::StagePlan& other : draft.plan().stages)
            if (other.name == stage.name)
                draft.report.fault(entry->place, one.path(),
                                   fmt::format("the name '{}' belongs to the stage '{}' already", stage.name, other.id),
                                   "another 'name:', so that their limits can be told apart");
        draft.plan().stages.push_back(std::move(stage));
        draft.stages.push_back({entry->place, one.path()});
    }
    section.finish();
}

void read_stage_of(Section& sensor, Draft& draft, core::Channel& channel) {
    const auto given = sensor.scalar("stage");
    if (!given) return;
    const auto& stages = draft.plan().stages;
    std::vector<std::string_view> ids;
    for (std::size_t i = 0; i < stages.size(); ++i) {
        if (stages[i].id == *given) channel.stage = static_cast<std::uint16_t>(i);
        ids.emplace_back(stages[i].id);
    }
    if (channel.stage) return;
    const auto near = nearest(*given, ids);
    sensor.fault("stage", fmt::format("there is no stage '{}'", given->substr(0, 40)),
                 ids.empty() ? "a section 'stages:' with it, such as 'stages: {driver: {name: Driver}}'"
                 : near      ? fmt::format("did you mean '{}'?", *near)
                             : fmt::format("one of: {}", fmt::join(ids, ", ")));
}

void check_stages(Draft& draft) {
    const core::Plan& plan = draft.plan();
    const auto& faults = draft.report.faults();
    const bool misspelt =
        std::any_of(faults.begin(), faults.end(), [](const Fault& fault) { return fault.key.ends_with(".stage"); });
    if (misspelt) return;  // told already
    for (std::size_t i = 0; i < plan.stages.size(); ++i) {
        const core::StagePlan& stage = plan.stages[i];
        const StageDraft& of = draft.stages[i];
        const bool any = std::any_of(plan.channels.begin(), plan.channels.end(),
                                     [&](const core::Channel& channel) { return channel.stage == i; });
        if (!any)
            draft.report.fault(of.place, of.path, "no sensor is in this stage",
                               fmt::format("'stage: {}' under each of its sensors, or no such stage", stage.id));
        else if (stage.nominal_supply_v && !stage.roles.supply)
            draft.report.fault(
                of.place, of.path + ".nominal_supply", "this stage's supply isn't measured",
                fmt::format("a sensor with 'role: supply' and 'stage: {}', or the key removed", stage.id));
    }
}

}  // namespace dekeyd::formats
