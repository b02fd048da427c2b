#include "base/wall_clock.hpp"

#include <sys/timex.h>
#include <time.h>
#include <unistd.h>

namespace dekeyd {
namespace {

std::chrono::nanoseconds read(clockid_t clock) noexcept {
    timespec now{};
    ::clock_gettime(clock, &now);
    return std::chrono::seconds{now.tv_sec} + std::chrono::nanoseconds{now.tv_nsec};
}

}  // namespace

core::Instant monotonic_now() noexcept {
    return core::Instant{read(CLOCK_MONOTONIC)};
}

core::Duration time_asleep() noexcept {
    using namespace std::chrono_literals;
    // The two can't be read at once. What interrupts the look shows between two looks at the one, and it is repeated.
    core::Duration asleep{}, least = core::Duration::max();
    for (int look = 0; look < 5 && least > 50us; ++look) {
        const core::Duration before = read(CLOCK_MONOTONIC), boot = read(CLOCK_BOOTTIME), after = read(CLOCK_MONOTONIC);
        if (after - before >= least) continue;
        least = after - before;
        asleep = boot - after;
    }
    return asleep;
}

bool clock_synchronised() noexcept {
    timex status{};  // modes 0: only asks
    const int state = ::adjtimex(&status);
    if (state >= 0) return state != TIME_ERROR && (status.status & STA_UNSYNC) == 0;
    return ::access("/run/systemd/timesync/synchronized", F_OK) == 0;
}

formats::WallStamp wall_stamp(core::Instant at) noexcept {
    const core::Duration ago = monotonic_now() - at;
    return {.since_1970 = read(CLOCK_REALTIME) - ago, .synchronised = clock_synchronised()};
}

}  // namespace dekeyd
