// From a checked configuration to the things that run: sensors, lines, samplers.
#pragma once

#include <vector>

#include "configuration/configuration.hpp"
#include "drivers/line.hpp"
#include "guard/guard.hpp"
#include "guard/sampler.hpp"

namespace dekeyd {

drivers::LineAddress line_address(const formats::LineConfig& line);

/// Requests the line, then the contactor's and the dynamic permit's. Throws drivers::LineError.
Guard::Lines open_lines(const formats::Configuration& configuration);

/// One per bus, in the plan's order. Opens nothing yet.
std::vector<BusPlan> make_buses(const formats::Configuration& configuration);

/// Fast enough that a late reading would eat into the time to inhibit: read with real-time priority.
bool is_fast(const BusPlan& bus) noexcept;

/// Per sampler: how old its last scan may be while the line permits; zero where nothing on it must be there.
std::vector<core::Duration> oldest_scans(const core::Plan& plan);

}  // namespace dekeyd
