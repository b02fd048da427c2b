// The guard: the only thread that decides and the only one that has the line. It waits for nothing but the time and
// its wake, and does no I/O but the line's.
#pragma once

#include <atomic>
#include <functional>
#include <memory>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "base/handover.hpp"
#include "base/last_resort.hpp"
#include "control/outlet.hpp"
#include "core/protection.hpp"
#include "drivers/line.hpp"
#include "guard/line_keeper.hpp"
#include "guard/scan_buffer.hpp"
#include "plan/plan.hpp"
#include "recording/step_queue.hpp"
#include "second_opinion/monitor.hpp"

namespace dekeyd {

/// Where scans and commands come from, and where events and snapshots go. All of it outlives the guard.
struct GuardPorts {
    std::vector<ScanRing*> scans;  ///< index: sampler
    std::vector<Ring<core::Command>*> commands;
    std::vector<Outlet*> outlets;
    StepQueue* step_queue = nullptr;  ///< every decision's input, where a recorder reads it
};

class Guard final : public LineHolder {
public:
    /// Opens the line (and the others, which may be absent); called on the guard's thread, may throw LineError.
    struct Lines {
        std::unique_ptr<drivers::Line> line;
        std::unique_ptr<drivers::Line> contactor;
        std::unique_ptr<drivers::Line> dynamic_permit;  ///< toggles with each decision that permits
    };
    using OpenLines = std::function<Lines()>;
    /// Told on the guard's thread, before the line is held, each time that it couldn't be had.
    using Complain = std::function<void(const drivers::LineError&)>;

    /// `wake`: rung by each thread that has something for the guard; it outlives the guard, as the ports do.
    Guard(core::Duration period, Wake& wake, GuardPorts ports);

    // ---- the guard's thread ----

    /// The thread's whole work: own file table, line, decisions until the process ends or leave() is called.
    void run(const OpenLines& open, const Complain& complain);
    /// Takes the lines as they are; for run() and for tests.
    void take_lines(Lines lines);
    /// One decision at `now`: scans and commands in, line, then events and snapshots out. Returns when to come again.
    /// `asleep`: time_asleep().
    core::Instant cycle(core::Instant now, core::Duration asleep = {}) noexcept;
    /// Instead of a decision, once a stop was asked for: all lines to inhibit. False: not, or not surely.
    bool stop_cycle(core::Instant now) noexcept;

    // ---- any thread ----

    /// Gives the protection to decide with, and what is asked after it; until then the line is held at inhibit. Once.
    void begin(std::unique_ptr<core::Protection> protection, second_opinion::Monitor second_opinion = {});
    /// Inhibit for good; safe in a signal handler.
    void ask_to_inhibit() noexcept override;
    /// Ends run(); for tests and after a line that was never had.
    void leave() noexcept;

    [[nodiscard]] bool armed() const noexcept { return armed_.load(std::memory_order_acquire); }
    [[nodiscard]] bool stopping() const noexcept { return stop_.load(std::memory_order_acquire); }
    [[nodiscard]] bool has_inhibited() const noexcept override { return inhibited_.load(std::memory_order_acquire); }
    /// Completed decide-and-writes.
    [[nodiscard]] std::uint64_t cycles() const noexcept { return cycles_.load(std::memory_order_acquire); }
    /// What was last written; false also when a write failed.
    [[nodiscard]] bool permits() const noexcept { return permits_.load(std::memory_order_acquire); }
    /// Writes that the kernel refused.
    [[nodiscard]] std::uint64_t failed_writes() const noexcept { return failed_writes_.load(); }
    /// What the line's driver says of itself; valid once armed() is true.
    [[nodiscard]] const std::string& line_text() const noexcept { return line_text_; }

    [[nodiscard]] bool is_mine() const noexcept override;
    void inhibit_now() noexcept override;

private:
    bool wait_for_line(const OpenLines& open, const Complain& complain);
    core::Duration suspended(core::Duration asleep) noexcept;
    void collect_scans() noexcept;
    void collect_commands(core::Instant now) noexcept;
    void give_back() noexcept;
    void publish_snapshot(core::Instant now) noexcept;
    void toggle(bool permit) noexcept;
    [[nodiscard]] bool refuses_inhibit() const noexcept;
    bool put_lines(const core::Decision& decision, bool permit, core::Instant now) noexcept;

    core::Duration period_;
    Wake& wake_;
    GuardPorts ports_;
    std::unique_ptr<core::Protection> protection_;  ///< written by begin() before ready_
    second_opinion::Monitor second_opinion_;        ///< the same
    std::optional<std::uint16_t> objection_;        ///< to the last decision
    std::atomic<bool> ready_{false};
    std::optional<LineKeeper> line_;
    std::optional<LineKeeper> contactor_;
    std::unique_ptr<drivers::Line> dynamic_permit_;
    bool toggled_ = false;
    std::string line_text_;
    std::vector<core::Scan> scans_;   ///< into the rings' places, until give_back()
    std::vector<std::size_t> taken_;  ///< per sampler: places in use
    std::vector<core::Command> commands_;
    bool more_ = false;  ///< scans were left for the next cycle
    core::Instant next_period_{};
    bool shown_permit_ = false;
    std::optional<core::Duration> asleep_;  ///< as of the last decision
    std::atomic<bool> armed_{false};
    std::atomic<bool> stop_{false};
    std::atomic<bool> leave_{false};
    std::atomic<bool> inhibited_{false};
    std::atomic<bool> permits_{false};
    std::atomic<std::uint64_t> cycles_{0};
    std::atomic<std::uint64_t> failed_writes_{0};
};

}  // namespace dekeyd
