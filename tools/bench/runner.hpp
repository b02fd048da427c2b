// The bench in real time, against files; and the bench as fast as it goes, as a table.
#pragma once

#include <cstdint>
#include <functional>
#include <iosfwd>
#include <string>

#include "bench/scenario.hpp"
#include "bench/stations.hpp"

namespace bench {

struct RunOptions {
    std::string root;     ///< folder that stands for /sys
    std::string line;     ///< the inhibit line's file
    std::string control;  ///< Unix socket, or empty
    std::string report;   ///< a file for events, one line of JSON each, or empty
    Station station = demo_station();
    std::uint64_t seed = 1;
    double thermal_speed = 1.0;
    double for_s = 0.0;           ///< ends by itself; 0: doesn't
    bool standard_input = false;  ///< commands from standard input too, and ends when it closes
};

/// Returns when `stop` is true, the scenario or the time has ended, or standard input closed. Throws
/// std::runtime_error where a file or the socket can't be made.
void run(const RunOptions& options, Scenario scenario, const std::function<bool()>& stop);

/// Plays a scenario with the line at permit, and writes the true quantities as CSV each `every_s`.
void simulate(std::uint64_t seed, double thermal_speed, double for_s, double every_s, Scenario scenario,
              std::ostream& out);

}  // namespace bench
