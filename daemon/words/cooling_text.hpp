// Whether the cooling is enough, as one sentence.
#pragma once

#include <optional>
#include <string>

#include "core/protection.hpp"
#include "maths/cooling.hpp"
#include "maths/uncertainty.hpp"
#include "plan/plan.hpp"

namespace dekeyd::formats {

/// What the sentence is made of.
struct CoolingFacts {
    core::Estimate settling_c;             ///< at this power
    double trip_c = 0.0;                   ///< the lowest that can de-key
    std::optional<core::Cooling> cooling;  ///< for other powers; empty: not known well enough
    double planned_w = 0.0;                ///< the power that is planned; 0: not said
    std::optional<core::Duration> planned;
    std::optional<double> end_c{};  ///< when the planned transmission ends, at this power
    std::string at = "at this power";
    core::Estimate warming_k_per_h{};  ///< of the air, where it surely grows warmer; else 0
    core::Duration ahead{};            ///< so long that is looked at: to the planned end, or while a trend lasts
};
std::string cooling_sentence(const CoolingFacts& facts);

/// Of the running amplifier; "not known yet" while its heatsink is learned. Empty without a permit or RF, or where the
/// configuration can't tell.
std::string cooling_text(const core::Plan& plan, const core::Snapshot& snapshot);

}  // namespace dekeyd::formats
