// The archive: captures of trips, the log of transmissions and the hourly figures. Two threads of its own, so that a
// latch never waits behind a large file (that is the recorder's), nor the follower behind a stalled disk.
#pragma once

#include <atomic>
#include <functional>
#include <memory>
#include <string>

#include "configuration/configuration.hpp"
#include "core/interlock.hpp"
#include "plan/time.hpp"
#include "recording/latest_history.hpp"
#include "recording/recorder_state.hpp"
#include "recording/recording_feed.hpp"
#include "recording/tape.hpp"

namespace dekeyd {

class HistoryWriter {
public:
    /// Told each row of the transmission log, on the follower's thread.
    using Tell = std::function<void(const std::string& row)>;

    /// `memory`, `unclean_start`: as the guard's core was given. All references must outlive this; after a stop() that
    /// returned false a thread may hang in the kernel, and then they must outlive the process.
    HistoryWriter(const formats::Configuration& configuration, std::string version, core::Memory memory,
                  bool unclean_start, Tape& tape, ArchiveState& state, Tell on_transmission = {},
                  RecordingFeed* recording = nullptr, LatestHistory* latest = nullptr);
    ~HistoryWriter();
    HistoryWriter(const HistoryWriter&) = delete;
    HistoryWriter& operator=(const HistoryWriter&) = delete;

    void start();
    /// Ends what is being gathered and writes what is left. False: not all of it by the deadline.
    bool stop(core::Instant deadline);

private:
    class Work;
    std::shared_ptr<Work> work_;
};

}  // namespace dekeyd
