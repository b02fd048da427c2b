// How long the stop hook waits for a line that a dying process still holds.
#pragma once

#include <chrono>

namespace dekeyd::drivers {

inline constexpr int stop_hook_tries = 21;
inline constexpr std::chrono::milliseconds stop_hook_pause{50};  ///< between two of them: one second in all

}  // namespace dekeyd::drivers
