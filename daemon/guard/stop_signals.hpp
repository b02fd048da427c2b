// The signals that end the daemon, and those that must not.
#pragma once

#include "base/handover.hpp"
#include "guard/guard.hpp"

namespace dekeyd {

/// From now on each signal that asks for an end makes `guard` inhibit, at once, and wakes `main`. Both live as long as
/// the process.
void stop_by_signals(Guard& guard, Wake& main);

/// The last one that came; 0 before.
[[nodiscard]] int stop_signal() noexcept;

}  // namespace dekeyd
