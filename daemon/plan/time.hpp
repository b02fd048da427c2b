// Time as core sees it: an argument, never read from a clock.
#pragma once

#include <chrono>

namespace dekeyd::core {

/// CLOCK_MONOTONIC's time line, in 64-bit nanoseconds. It has no now(): core's caller passes the time.
struct MonotonicClock {
    using duration = std::chrono::nanoseconds;
    using rep = duration::rep;
    using period = duration::period;
    using time_point = std::chrono::time_point<MonotonicClock, duration>;
    static constexpr bool is_steady = true;
};

using Duration = std::chrono::nanoseconds;
using Instant = MonotonicClock::time_point;

constexpr double seconds(Duration duration) noexcept {
    return std::chrono::duration<double>(duration).count();
}

}  // namespace dekeyd::core
