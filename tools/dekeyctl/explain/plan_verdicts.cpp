#include "dekeyctl/explain/plan_verdicts.hpp"

#include <fmt/format.h>

#include <nlohmann/json.hpp>
#include <optional>

#include "core/limit.hpp"
#include "words/cooling_text.hpp"
#include "words/drive_text.hpp"
#include "words/json_number.hpp"
#include "words/units.hpp"

namespace dekeyd::ctl {
namespace {

std::optional<core::DriveAnswer> drive_answer(const formats::Configuration& configuration, const PlannedChain& chain,
                                              std::size_t stage) {
    const auto& advised_db = configuration.plan.rf.emission.back_off_db;
    if (!advised_db || stage > chain.amplifier || stage >= chain.budget.stages) return std::nullopt;
    if (!chain.stages[stage].one_db_output_dbm && stage != chain.amplifier) return std::nullopt;
    core::DriveQuestion question;
    question.level_dbm = chain.budget.levels[stage].output_dbm;
    question.one_db_dbm = chain.stages[stage].one_db_output_dbm;
    question.advised_db = *advised_db;
    question.smoothness = chain.stages[stage].smoothness;
    return core::assess_drive(question);
}

}  // namespace

std::vector<std::string> drive_verdicts(const formats::Configuration& configuration, const PlannedChain& chain) {
    std::vector<std::string> sentences;
    for (std::size_t i = 0; i <= chain.amplifier; ++i) {
        const auto answer = drive_answer(configuration, chain, i);
        if (!answer) continue;
        sentences.push_back(fmt::format("{}: {}", chain.stages[i].name,
                                        formats::drive_sentence(*answer, configuration.plan.rf.emission, 0.1)));
    }
    return sentences;
}

nlohmann::ordered_json drive_verdict_json(const formats::Configuration& configuration, const PlannedChain& chain,
                                          std::size_t stage) {
    const auto answer = drive_answer(configuration, chain, stage);
    if (!answer) return nullptr;
    if (answer->verdict == core::DriveVerdict::unknown) return {{"verdict", core::text(answer->verdict)}};
    return {{"verdict", core::text(answer->verdict)},
            {"drive_db", formats::json_number(answer->drive_db)},
            {"back_off_db", formats::json_number(answer->back_off_db)},
            {"advised_db", formats::json_number(*configuration.plan.rf.emission.back_off_db)}};
}

std::string cooling_verdict(const formats::Configuration& configuration, double dc_w, double drive_w,
                            double settling_c) {
    const formats::LevelPlan& plan = *configuration.level_plan;
    const auto trip_c = core::lowest_possible_trip(configuration.plan, configuration.plan.roles.heatsink, {});
    if (!trip_c || !plan.thermal_resistance_k_per_w) return {};
    return formats::cooling_sentence({.settling_c = {settling_c, settling_c, settling_c},
                                      .trip_c = *trip_c,
                                      .cooling = core::Cooling{.ambient_c = plan.ambient_c,
                                                               .resistance_k_per_w = *plan.thermal_resistance_k_per_w,
                                                               .forward_w = plan.wanted_w,
                                                               .dc_w = dc_w,
                                                               .quiescent_dc_w = configuration.plan.heat.quiescent_w,
                                                               .drive_w = drive_w},
                                      .planned_w = 0.0,
                                      .planned = {},
                                      .end_c = {},
                                      .at = "at " + formats::show(plan.wanted_w, core::Unit::watt)});
}

}  // namespace dekeyd::ctl
