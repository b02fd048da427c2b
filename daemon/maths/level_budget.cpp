#include "maths/level_budget.hpp"

#include <algorithm>
#include <cmath>

#include "maths/correction.hpp"
#include "plan/reading.hpp"

namespace dekeyd::core {

namespace {

double held(double dbm) noexcept {
    return std::isnan(dbm) ? largest_dbm : std::clamp(dbm, -largest_dbm, largest_dbm);
}

// The output that the stage can never pass.
double saturation_dbm(const Stage& stage) noexcept {
    return *stage.one_db_output_dbm - output_at_compression_db(1.0, stage.smoothness);
}

double smooth(const Stage& stage) noexcept {
    return std::isnan(stage.smoothness) ? usual_smoothness : std::clamp(stage.smoothness, 0.5, 10.0);
}

bool sound(const Stage& stage) noexcept {
    return std::abs(stage.gain_db) <= largest_dbm &&
           (!stage.maximum_input_dbm || std::abs(*stage.maximum_input_dbm) <= largest_dbm) &&
           (!stage.one_db_output_dbm || std::abs(*stage.one_db_output_dbm) <= largest_dbm) &&
           (!stage.maximum_output_dbm || std::abs(*stage.maximum_output_dbm) <= largest_dbm);
}

bool sound(const LevelQuestion& q) noexcept {
    return std::abs(q.exciter_lowest_dbm) <= largest_dbm && std::abs(q.exciter_highest_dbm) <= largest_dbm &&
           std::abs(q.wanted_dbm) <= largest_dbm && q.exciter_lowest_dbm <= q.exciter_highest_dbm;
}

// The smallest whole number of dB behind the exciter at which no stage's maximum can be passed.
double pad_for(std::span<const Stage> stages, double highest_dbm) noexcept {
    for (int pad = 0; pad <= 100; ++pad) {
        double level = highest_dbm - pad;
        bool exceeds = false;
        for (const Stage& stage : stages) {
            exceeds = exceeds || (stage.maximum_input_dbm && level > *stage.maximum_input_dbm);
            level = stage_output_dbm(stage, level);
            exceeds = exceeds || (stage.maximum_output_dbm && level > *stage.maximum_output_dbm);
        }
        if (!exceeds) return pad;
    }
    return 100.0;
}

}  // namespace

double stage_output_dbm(const Stage& stage, double input_dbm) noexcept {
    const double linear = held(input_dbm + stage.gain_db);
    if (!stage.one_db_output_dbm) return linear;
    const double top = saturation_dbm(stage);
    const double e = 2.0 * smooth(stage);
    // out = in / (1 + in^2p)^(1/2p), in dB against saturation; the larger power is taken out so that none overflows.
    const double x = std::clamp(linear - top, -400.0, 400.0);
    const double loss = x > 0.0 ? x + (20.0 / e) * std::log10(1.0 + std::pow(10.0, -x * e / 20.0))
                                : (20.0 / e) * std::log10(1.0 + std::pow(10.0, x * e / 20.0));
    return held(linear - loss);
}

std::optional<double> stage_input_dbm(const Stage& stage, double output_dbm) noexcept {
    if (std::isnan(output_dbm)) return std::nullopt;
    if (!stage.one_db_output_dbm) return held(output_dbm - stage.gain_db);
    const double below = output_dbm - saturation_dbm(stage);
    if (!(below < 0.0)) return std::nullopt;
    const double compression = compression_at_output_db(below, stage.smoothness);
    if (compression >= deepest_compression_db) return std::nullopt;
    return held(output_dbm + compression - stage.gain_db);
}

LevelBudget level_budget(std::span<const Stage> stages, const LevelQuestion& q) noexcept {
    LevelBudget budget;
    const bool all_sound = std::all_of(stages.begin(), stages.end(), [](const Stage& s) { return sound(s); });
    if (stages.empty() || stages.size() > most_stages || q.wanted_after >= stages.size() || !all_sound || !sound(q)) {
        return budget;
    }
    budget.stages = stages.size();

    // With the exciter at its most: who is hurt?
    double level = q.exciter_highest_dbm;
    for (std::size_t i = 0; i < stages.size(); ++i) {
        budget.levels[i].highest_input_dbm = level;
        budget.levels[i].may_exceed = stages[i].maximum_input_dbm && level > *stages[i].maximum_input_dbm;
        level = stage_output_dbm(stages[i], level);
        budget.levels[i].highest_output_dbm = level;
        budget.levels[i].may_pass_output = stages[i].maximum_output_dbm && level > *stages[i].maximum_output_dbm;
        budget.may_exceed = budget.may_exceed || budget.levels[i].may_exceed || budget.levels[i].may_pass_output;
        if (i == q.wanted_after) budget.highest_dbm = level;
    }
    if (budget.may_exceed) budget.pad_db = pad_for(stages, q.exciter_highest_dbm);

    // Backwards from the wanted power to the exciter.
    double needed = q.wanted_dbm;
    for (std::size_t i = q.wanted_after + 1; i-- > 0;) {
        const auto input = stage_input_dbm(stages[i], needed);
        if (!input) {
            budget.result = ReachResult::saturated;
            return budget;
        }
        needed = *input;
    }
    budget.needed_dbm = needed;
    if (needed > q.exciter_highest_dbm) {
        budget.result = ReachResult::too_weak;
        budget.short_by_db = needed - q.exciter_highest_dbm;
    } else if (needed < q.exciter_lowest_dbm) {
        budget.result = ReachResult::too_strong;
        budget.short_by_db = q.exciter_lowest_dbm - needed;
    } else {
        budget.result = ReachResult::reachable;
    }
    const double padded = needed + budget.pad_db;
    budget.reachable_with_pad = padded >= q.exciter_lowest_dbm && padded <= q.exciter_highest_dbm;

    level = needed;
    for (std::size_t i = 0; i < stages.size(); ++i) {
        StageLevels& at = budget.levels[i];
        at.input_dbm = level;
        at.output_dbm = stage_output_dbm(stages[i], level);
        at.compression_db = std::clamp(level + stages[i].gain_db - at.output_dbm, 0.0, largest_dbm);
        if (stages[i].one_db_output_dbm) at.head_room_db = *stages[i].one_db_output_dbm - at.output_dbm;
        level = at.output_dbm;
    }
    return budget;
}

DetectorLevel detector_level(const PowerChain& chain, double line_dbm) noexcept {
    DetectorLevel level;
    level.dbm = held(line_dbm - chain.coupling_db - chain.pads_db - chain.cable_db - chain.waveform_db);
    level.volts = chain_volts(chain, level.dbm);
    if (level.dbm < chain.floor_dbm) level.range = DetectorRange::at_floor;
    if (!(level.dbm <= chain.ceiling_dbm)) level.range = DetectorRange::above_ceiling;
    return level;
}

}  // namespace dekeyd::core
