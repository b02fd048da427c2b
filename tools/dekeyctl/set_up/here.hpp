// `check --here`: what the configuration names, looked for on this machine, and read once at rest. Reads alone: no
// output is requested, and no pad that is an output of the configuration is touched.
#pragma once

#include <sys/types.h>

#include <chrono>
#include <functional>
#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "configuration/configuration.hpp"
#include "drivers/gpio.hpp"

namespace dekeyd::ctl {

/// What the look takes from the machine, so that a test can bring its own.
struct Machine {
    std::function<std::unique_ptr<drivers::Gpio>()> gpio;
    std::function<std::chrono::steady_clock::time_point()> now;
    bool guard_runs = false;                ///< it reads the same buses: how long a round takes tells nothing
    std::optional<::gid_t> guards_group{};  ///< that the package's udev rule gives files to; none: it isn't there
    std::vector<std::string> drop_ins{};    ///< folders for those of the guard's service; none: no service is installed
};

struct Here {
    std::vector<std::string> amiss;   ///< a sentence each
    std::vector<std::string> seen;    ///< what is there and as it should be
    std::vector<std::string> unseen;  ///< not looked at, and why
};

/// Expects no RF, the exciter off and a cold station.
Here look_here(const formats::Configuration& configuration, const Machine& machine);

}  // namespace dekeyd::ctl
