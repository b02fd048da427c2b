// The level budget, before anything is keyed: from the exciter's smallest and largest output through cables, pads,
// driver and amplifier to the antenna. Total: every result is finite.
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>
#include <optional>
#include <span>
#include <string_view>

#include "maths/power.hpp"
#include "maths/rf.hpp"
#include "plan/enum_words.hpp"
#include "plan/plan.hpp"

namespace dekeyd::core {

/// One thing in the way of the signal: a cable or pad (negative gain), a driver, the amplifier, the feeder.
struct Stage {
    std::string_view name;
    double gain_db = 0.0;                     ///< small-signal
    std::optional<double> maximum_input_dbm;  ///< damage above it
    std::optional<double> one_db_output_dbm;  ///< output at 1 dB of compression; without it the stage is linear
    double smoothness = usual_smoothness;
    std::optional<double> maximum_output_dbm{};  ///< what it is rated for
};

/// Output for an input and the other way round; the inverse has none at or above saturation.
double stage_output_dbm(const Stage& stage, double input_dbm) noexcept;
std::optional<double> stage_input_dbm(const Stage& stage, double output_dbm) noexcept;

inline constexpr std::size_t most_stages = 12;

struct LevelQuestion {
    double exciter_lowest_dbm = 0.0;   ///< the least that the exciter can be set to
    double exciter_highest_dbm = 0.0;  ///< the most that it can put out, set wrongly or failed
    double wanted_dbm = 0.0;           ///< at the output of the stage `wanted_after`
    std::size_t wanted_after = 0;      ///< index of that stage, usually the amplifier
};

enum class ReachResult : std::uint8_t {
    reachable,
    too_weak,    ///< the exciter's most isn't enough
    too_strong,  ///< its least is already too much
    saturated,   ///< a stage can't give it at any drive
    refused,     ///< no stages, too many, or numbers that aren't
};
inline constexpr Words<ReachResult::refused> reach_result_words{"reachable", "too weak", "too strong", "saturated",
                                                                "refused"};
inline std::string_view text(ReachResult value) noexcept {
    return reach_result_words.of(value);
}

struct StageLevels {
    double input_dbm = 0.0;  ///< for the wanted power
    double output_dbm = 0.0;
    double compression_db = 0.0;
    std::optional<double> head_room_db;  ///< of the output, to the 1 dB point
    double highest_input_dbm = 0.0;      ///< with the exciter at its most
    bool may_exceed = false;             ///< that is above the stage's maximum
    double highest_output_dbm = 0.0;
    bool may_pass_output = false;  ///< that is above what the stage is rated for
};

struct LevelBudget {
    ReachResult result = ReachResult::refused;
    double needed_dbm = 0.0;   ///< from the exciter, for the wanted power; without meaning where saturated or refused
    double short_by_db = 0.0;  ///< too_weak, too_strong: by how much
    double highest_dbm = 0.0;  ///< what comes out after `wanted_after` with the exciter at its most
    std::size_t stages = 0;
    std::array<StageLevels, most_stages> levels{};
    bool may_exceed = false;          ///< some stage's maximum can be passed, at its input or its output
    double pad_db = 0.0;              ///< whole dB, right behind the exciter, that prevent it; 0 = none needed
    bool reachable_with_pad = false;  ///< the wanted power can still be reached with it
};
LevelBudget level_budget(std::span<const Stage> stages, const LevelQuestion& question) noexcept;

/// What a detector shows for a power on the main line: the chain backwards.
struct DetectorLevel {
    double dbm = 0.0;    ///< at the detector
    double volts = 0.0;  ///< at the converter
    DetectorRange range = DetectorRange::inside;
};
DetectorLevel detector_level(const PowerChain& chain, double line_dbm) noexcept;

}  // namespace dekeyd::core
