// What the recorder (disk) and the telemetry (broker) tell each other and the status.
#pragma once

#include <atomic>
#include <cstdint>

namespace dekeyd {

struct RecorderState {
    std::atomic<bool> journal_open{false};
    std::atomic<std::uint64_t> journal_durable{0};    ///< last durable number; 0: none yet
    std::atomic<std::uint64_t> journal_delivered{0};  ///< set by the recorder at opening, then by the telemetry
    std::atomic<std::uint64_t> pushed_out{0};         ///< events that the budget pushed out undelivered
    std::atomic<std::uint64_t> unwritten{0};          ///< events that could never be written
    std::atomic<std::uint64_t> failed_writes{0};      ///< tries of any kind that failed
    std::atomic<std::int64_t> proved_at_s{0};         ///< the last proof test passed, seconds since 1970; 0: never
    std::atomic<bool> failing{false};                 ///< the last try failed, and something waits to be written
};

}  // namespace dekeyd
