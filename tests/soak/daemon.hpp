// The daemon without its threads and sockets: the guard with its line, the second opinion, and the keeper of its state.
// Each step is one cycle of the guard, and what the other threads would have done after it.
#pragma once

#include <cstdint>
#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "configuration/configuration.hpp"
#include "core/protection.hpp"
#include "drivers/line.hpp"
#include "guard/guard.hpp"
#include "soak/disk.hpp"
#include "soak/troubles.hpp"
#include "store/state_slots.hpp"

namespace dekeyd::soak {

/// A pad as the amplifier sees it; it outlives each daemon.
struct Pad {
    PadFault fault = PadFault::good;
    bool permit = false;
    bool asked = false;    ///< the last write, taken or not
    bool refused = false;  ///< the last write was
    int late_looks = 0;    ///< that still see the level before
};

class Daemon {
public:
    Daemon(const formats::Configuration& configuration, Pad& pad, Pad& contactor, Disk& disk);

    /// Loads the state and begins, at inhibit.
    void start();
    void step(core::Instant now, core::Duration asleep, const std::vector<core::Scan>& scans,
              const std::vector<core::Command>& commands);

    // How it ends. The hook has inhibited the line afterwards.
    bool stop(core::Instant now);      ///< on request; true: a clean one
    void kill();                       ///< the run folder stays
    void lose_power(bool in_a_write);  ///< the run folder is gone, and perhaps half of a write

    /// As readers outside see it.
    [[nodiscard]] const core::Snapshot& snapshot() const { return run_->outlet.snapshot.value(); }
    [[nodiscard]] const std::vector<core::Event>& events() const noexcept { return events_; }
    /// What was decided last; published is what the line took.
    [[nodiscard]] bool decided() const { return run_->protection->snapshot().permit; }
    [[nodiscard]] std::uint64_t cycles() const { return run_->guard.cycles(); }
    [[nodiscard]] bool all_saved() const noexcept { return durable_ == wanted_.sequence; }
    [[nodiscard]] bool start_saved() const noexcept { return durable_ != 0; }
    [[nodiscard]] const formats::StoredState& found() const noexcept { return found_; }

private:
    struct Run {
        Run(const formats::Configuration& configuration, const formats::StoredState& found, Pad& pad, Pad& contactor);
        Wake wake;
        std::vector<std::unique_ptr<ScanRing>> scans;
        Ring<core::Command> commands{64};
        Outlet outlet;
        Guard guard;
        core::Protection* protection = nullptr;
    };
    void keep(core::Instant now);
    bool save(const formats::StoredState& state);
    void end();

    const formats::Configuration& configuration_;
    Pad& pad_;
    Pad& contactor_;
    Disk& disk_;
    std::unique_ptr<Run> run_;
    std::unique_ptr<formats::StateSlots> slots_;
    std::unique_ptr<formats::StateCopy> copy_;
    formats::StoredState found_, wanted_;
    core::Memory begun_;
    std::uint64_t durable_ = 0;
    core::Instant save_at_{};
    bool noted_ = false;
    std::vector<core::Event> events_;
};

}  // namespace dekeyd::soak
