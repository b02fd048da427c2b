// How long a line may keep its level after the daemon was killed. A process with a thread that is stuck in the kernel
// can't end, so that the service manager learns of the death by its watchdog alone. These are the settings of
// systemd/dekeyd.service and the stop hook's patience; agree: after_death_test holds them together.
#pragma once

#include "plan/time.hpp"

namespace dekeyd::formats {

inline constexpr core::Duration watchdog_time = std::chrono::seconds{2};   ///< WatchdogSec
inline constexpr core::Duration abort_time = std::chrono::seconds{1};      ///< TimeoutAbortSec: SIGABRT, then SIGKILL
inline constexpr core::Duration kill_time = std::chrono::seconds{6};       ///< TimeoutStopSec: then it goes on without
inline constexpr core::Duration stop_hook_time = std::chrono::seconds{1};  ///< for a line that isn't free at once
inline constexpr core::Duration longest_after_death = watchdog_time + abort_time + kill_time + stop_hook_time;

}  // namespace dekeyd::formats
