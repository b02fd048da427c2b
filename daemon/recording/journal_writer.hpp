// The writer of the journal and of the proof test's date. A bad card may stall its thread for an hour; no other thread
// waits for it: events wait in memory while there is room, and those that find none are counted.
#pragma once

#include <memory>
#include <string>

#include "base/handover.hpp"
#include "configuration/configuration.hpp"
#include "core/interlock.hpp"
#include "core/protection.hpp"
#include "recording/storage_state.hpp"
#include "store/transmission_log.hpp"

namespace dekeyd {

class JournalWriter {
public:
    /// All references must outlive this; after a stop() that returned false, the thread may still hang in the kernel,
    /// and then they must outlive the process (it should _exit). `to_tell` is rung after each write.
    JournalWriter(const formats::Configuration& configuration, Ring<core::Event>& events,
                  Newest<core::Snapshot>& snapshots, StorageState& state, Wake& to_tell);
    ~JournalWriter();
    JournalWriter(const JournalWriter&) = delete;
    JournalWriter& operator=(const JournalWriter&) = delete;

    void start();
    /// To be rung after an event was pushed: it is then written at once, otherwise within 500 ms.
    [[nodiscard]] Wake& wake() noexcept;
    /// A finished transmission becomes an event of the journal, kind "transmission". Any thread.
    void tell_transmission(const formats::Transmission& transmission);
    /// Writes what is left. False: not all of it by the deadline, or never started.
    bool stop(core::Instant deadline);

private:
    class Impl;
    std::shared_ptr<Impl> impl_;
};

}  // namespace dekeyd
