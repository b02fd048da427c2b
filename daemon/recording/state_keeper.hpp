// The keeper of what must survive: latches, holds and counters go to the storage as soon as they change, and before
// that into the run folder, where they outlive the daemon though not the power. No thread waits for it, and it waits
// for no journal and no capture.
#pragma once

#include <functional>
#include <memory>
#include <string>

#include "base/handover.hpp"
#include "configuration/configuration.hpp"
#include "core/protection.hpp"
#include "recording/storage_state.hpp"
#include "store/state_file.hpp"

namespace dekeyd {

class StateKeeper {
public:
    struct Hooks {
        /// Called once, on the keeper's thread, when the storage has taken `begun`.
        std::function<void()> noted;
        /// Called first on the thread that may wait for the storage.
        std::function<void()> begin;
    };

    /// `begun`: what must survive as of the start, with what the start itself has raised; its sequence is the one that
    /// was found. All references must outlive this; after a stop() that returned false a thread may still hang in the
    /// kernel, and then they must outlive the process (it should _exit).
    StateKeeper(const formats::Configuration& configuration, formats::StoredState begun,
                Newest<core::Snapshot>& snapshots, StorageState& state, Hooks hooks);
    ~StateKeeper();
    StateKeeper(const StateKeeper&) = delete;
    StateKeeper& operator=(const StateKeeper&) = delete;

    /// Begins by noting durably that the daemon runs, so that an unclean stop shows.
    void start();
    /// To be rung after a snapshot was published that has news: it is then taken at once, otherwise within 500 ms.
    [[nodiscard]] Wake& wake() noexcept;
    /// Nothing changes any more: saves what is left, while others stop.
    void begin_stop() noexcept;
    /// Saves what is left and that the stop was a clean one. False: not by the deadline; the next start is then
    /// latched.
    bool stop(core::Instant deadline);

private:
    class Impl;
    std::shared_ptr<Impl> impl_;
};

}  // namespace dekeyd
