// The raw bounds of a plan, worked out once at the start by arithmetic of its own: from the level on the line back to
// what the driver gives. Of core it knows the plan's figures and no function.
#pragma once

#include <span>
#include <string_view>
#include <vector>

#include "plan/plan.hpp"
#include "second_opinion/monitor.hpp"

namespace dekeyd::second_opinion {

struct Bounds {
    std::vector<Sensor> sensors;  ///< one per channel; named by the channel's source
    std::vector<Bound> bounds;    ///< named by the limit's source
    Time supply_time{};
    /// A limit that trips and has no bound, and why.
    struct Without {
        std::uint16_t limit = 0;
        std::string_view why;
    };
    std::vector<Without> without;
};

/// `rounds`: per sampler, the time from one scan to the next.
Bounds bounds_of(const core::Plan& plan, std::span<const Time> rounds);

}  // namespace dekeyd::second_opinion
