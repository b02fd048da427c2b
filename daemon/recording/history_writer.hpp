// The history: captures of trips, the log of transmissions and the hourly figures. Two threads of its own, so that a
// latch never waits behind a large file (that is the state keeper's), nor the recorder behind a stalled disk.
#pragma once

#include <atomic>
#include <functional>
#include <memory>
#include <string>

#include "configuration/configuration.hpp"
#include "core/interlock.hpp"
#include "plan/time.hpp"
#include "recording/feed.hpp"
#include "recording/latest_history.hpp"
#include "recording/step_queue.hpp"
#include "recording/storage_state.hpp"
#include "store/transmission_log.hpp"

namespace dekeyd {

class HistoryWriter {
public:
    /// Told each finished transmission, on the recorder's thread.
    using Tell = std::function<void(const formats::Transmission& transmission)>;

    /// `memory`, `unclean_start`: as the guard's core was given. All references must outlive this; after a stop() that
    /// returned false a thread may hang in the kernel, and then they must outlive the process.
    HistoryWriter(const formats::Configuration& configuration, std::string version, core::Memory memory,
                  bool unclean_start, StepQueue& steps, HistoryState& state, Tell on_transmission = {},
                  RecordingFeed* recording = nullptr, LatestHistory* latest = nullptr);
    ~HistoryWriter();
    HistoryWriter(const HistoryWriter&) = delete;
    HistoryWriter& operator=(const HistoryWriter&) = delete;

    void start();
    /// Ends what is being gathered and writes what is left. False: not all of it by the deadline.
    bool stop(core::Instant deadline);

private:
    class Impl;
    std::shared_ptr<Impl> impl_;
};

}  // namespace dekeyd
