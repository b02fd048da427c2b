// Stands between this program and the kernel's file calls, counts those that change something, and stops the process
// at the one that was chosen: killed, or as if the power went.
#pragma once

#include <cstdint>
#include <string>

namespace shim {

enum class Stop : std::uint8_t {
    killed,     ///< what was called stays
    power_cut,  ///< what was not synced is gone: contents and names
    torn,       ///< names stay; of contents that were not synced half, then zeros
};

inline constexpr int exit_stopped = 37;

/// From here on every changing call below `folder` counts; the `at`-th (from 1) isn't made: the process ends with
/// exit_stopped, and `image` has what is found after the next start (unless killed: then that is `folder`).
void arm(const std::string& folder, const std::string& image, Stop stop, std::uint64_t at);
/// Calls counted so far.
std::uint64_t counted();
/// The process ends here, by the same rules.
[[noreturn]] void stop_now();

}  // namespace shim
