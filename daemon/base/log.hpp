// Log lines to standard error; under systemd with the journal's priorities.
#pragma once

#include <spdlog/spdlog.h>

#include <algorithm>
#include <cstdint>
#include <string>
#include <utility>

#include "plan/time.hpp"

namespace dekeyd {

/// Sets spdlog's default logger. `debug`: also what is only of use when looking for a fault. A thread of its own writes
/// the lines, so that a log without a reader stops no other thread; lines that find no room are counted, and the count
/// is said when there is room again.
void set_up_log(bool debug);
/// Waits until all is written, at most so long.
void flush_log(core::Duration at_most) noexcept;

/// Lets messages of a kind through: a burst, then one per interval; the rest is counted. One thread.
class RateLimit {
public:
    explicit RateLimit(core::Duration interval, int burst = 1) noexcept : interval_{interval}, burst_{burst} {}

    /// True when it may be said now.
    bool pass(core::Instant now) noexcept {
        // Each message costs an interval; a burst's worth of them may be owed.
        const core::Instant earliest = now - interval_ * (burst_ - 1);
        if (paid_until_ > now) {
            ++suppressed_;
            return false;
        }
        paid_until_ = std::max(paid_until_, earliest) + interval_;
        return true;
    }
    /// "" or " (12 more like it before)", and forgets.
    std::string since() {
        const std::uint64_t count = std::exchange(suppressed_, 0);
        return count == 0 ? std::string{} : fmt::format(" ({} more like it before)", count);
    }

private:
    core::Duration interval_;
    int burst_;
    core::Instant paid_until_{};  ///< the monotonic clock begins at 0
    std::uint64_t suppressed_ = 0;
};

}  // namespace dekeyd
