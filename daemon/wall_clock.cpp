#include "daemon/wall_clock.hpp"

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
