// The machine's clocks: monotonic for durations and waiting, wall time for stamps on output only.
#pragma once

#include "base/wall_time.hpp"
#include "plan/time.hpp"

namespace dekeyd {

/// CLOCK_MONOTONIC.
core::Instant monotonic_now() noexcept;

/// How long the machine has slept since it was booted: by CLOCK_BOOTTIME, which goes on meanwhile.
core::Duration time_asleep() noexcept;

/// The wall time of a monotonic instant, by the clock as it is set now.
formats::WallStamp wall_stamp(core::Instant at) noexcept;

/// Whether a time source has set the clock: the kernel's word, or, where a sandbox hides that, the time daemon's
/// marker file. Doubt is "no".
bool clock_synchronised() noexcept;

}  // namespace dekeyd
