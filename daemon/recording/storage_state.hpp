// The state of the threads that write to the storage: the journal's writer, the state's keeper, the
// history's.
#pragma once

#include <atomic>
#include <cstdint>

#include "plan/time.hpp"
#include "recording/note_book.hpp"
#include "words/messages.hpp"

namespace dekeyd {

struct StorageState {
    std::atomic<bool> journal_open{false};
    std::atomic<std::uint64_t> journal_epoch{0};    ///< which journal it is, once it is open
    std::atomic<std::uint64_t> journal_durable{0};  ///< last durable number; 0: none yet
    std::atomic<std::uint64_t> unwritten{0};        ///< events that could never be written
    std::atomic<std::uint64_t> failed_writes{0};    ///< tries of any kind that failed
    std::atomic<std::int64_t> proved_at_s{0};       ///< the last proof test passed, seconds since 1970; 0: never
    std::atomic<bool> failing{false};               ///< the last try failed, and something waits to be written

    // Of the state: latches, holds, counters.
    std::atomic<core::Instant> saved_through{core::Instant{}};  ///< as it was then it is durable
    std::atomic<core::Instant> unsaved_since{core::Instant{}};  ///< zero: all of it is durable
    std::atomic<bool> state_failing{false};                     ///< the last try to save it failed
    NoteBook notes;                                             ///< of the holds and the lockout

    /// It fails, or has not been taken for longer than a good storage needs.
    [[nodiscard]] bool state_is_late(core::Instant now) const noexcept {
        const core::Instant since = unsaved_since.load();
        return state_failing.load() || (since != core::Instant{} && now - since > std::chrono::seconds{2});
    }
};

/// Of captures of trips, the log of transmissions and the hourly figures.
struct HistoryState {
    std::atomic<std::uint64_t> captures{0};       ///< written since start
    std::atomic<std::uint64_t> waiting{0};        ///< captures and rows not yet on the disk
    std::atomic<std::uint64_t> dropped{0};        ///< those that found no room in memory either; the oldest went
    std::atomic<std::uint64_t> lost_steps{0};     ///< decisions that the recorder never saw
    std::atomic<std::uint64_t> failed_writes{0};  ///< tries that failed
};
inline formats::KeptStatus kept_status(const HistoryState& state) noexcept {
    return {.captures = state.captures.load(),
            .waiting = state.waiting.load(),
            .dropped = state.dropped.load(),
            .failed_writes = state.failed_writes.load(),
            .lost_steps = state.lost_steps.load()};
}

}  // namespace dekeyd
