// What `plan` says of drive and cooling, stage by stage.
#pragma once

#include <cstddef>
#include <nlohmann/json_fwd.hpp>
#include <span>
#include <string>
#include <vector>

#include "configuration/configuration.hpp"
#include "maths/level_budget.hpp"

namespace dekeyd::ctl {

/// The chain that `plan` works with, and where its amplifier is.
struct PlannedChain {
    std::span<const core::Stage> stages;
    std::size_t amplifier = 0;
    const core::LevelBudget& budget;
};

/// A sentence for each stage whose 1 dB point is known, up to the amplifier; none where what is sent asks for no
/// linearity.
std::vector<std::string> drive_verdicts(const formats::Configuration& configuration, const PlannedChain& chain);
/// {verdict, drive_db, back_off_db, advised_db} of one stage; null where nothing can be said.
nlohmann::ordered_json drive_verdict_json(const formats::Configuration& configuration, const PlannedChain& chain,
                                          std::size_t stage);

/// Whether the cooling is enough at the wanted power; empty where it can't be told.
std::string cooling_verdict(const formats::Configuration& configuration, double dc_w, double drive_w,
                            double settling_c);

}  // namespace dekeyd::ctl
