// The recorder: the only thread that writes to the storage. It may be stalled for an hour by a bad card, and nobody
// waits for it: events wait in memory as far as there is room, and what found none is counted.
#pragma once

#include <functional>
#include <memory>
#include <string>

#include "core/interlock.hpp"
#include "core/step.hpp"
#include "daemon/handover.hpp"
#include "daemon/recorder_state.hpp"
#include "formats/configuration.hpp"
#include "formats/state_file.hpp"

namespace dekeyd {

class Recorder {
public:
    /// `begun`: what must survive as of the start, with what the start itself has raised. All references must outlive
    /// this; after a stop() that returned false, the thread may still hang in the kernel, and then they must outlive
    /// the process (it should _exit). `to_tell`, if given, is rung when new events became durable; `noted`, if given,
    /// is called once, on the recorder's thread, when the storage has taken `begun`.
    Recorder(const formats::Configuration& configuration, formats::StoredState begun, Ring<core::Event>& events,
             Newest<core::Snapshot>& snapshots, RecorderState& state, Wake* to_tell = nullptr,
             std::function<void()> noted = {});
    ~Recorder();
    Recorder(const Recorder&) = delete;
    Recorder& operator=(const Recorder&) = delete;

    /// Begins by noting durably that the daemon runs, so that an unclean stop shows.
    void start();
    /// To be rung after an event was pushed or a snapshot published: then a latch is written at once, otherwise within
    /// 50 ms.
    [[nodiscard]] Wake& wake() noexcept;
    /// A finished transmission (a row of its log) becomes an event of the journal, kind "transmission". Any thread.
    void tell_transmission(const std::string& row);
    /// Writes what is left and that the stop was a clean one. False: not all of it by the deadline, or never started.
    bool stop(core::Instant deadline);

private:
    class Work;
    std::shared_ptr<Work> work_;
};

}  // namespace dekeyd
