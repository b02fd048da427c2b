// The line in the guard's hands: written only when it must change, read back after each write and once a second.
#pragma once

#include <memory>
#include <optional>

#include "core/protection.hpp"
#include "drivers/line.hpp"
#include "plan/time.hpp"

namespace dekeyd {

class LineKeeper {
public:
    static constexpr core::Duration look_interval = std::chrono::seconds{1};

    /// A line that was just requested, at inhibit.
    explicit LineKeeper(std::unique_ptr<drivers::Line> line) noexcept;

    /// Reads the pad back where the last look is a second old.
    void look(core::Instant now) noexcept;
    /// Writes where `permit` isn't what stands, the last write failed, or inhibit was written and the pad said permit;
    /// then reads back. A refused permit is followed by inhibit. False: the kernel refused.
    bool put(bool permit, core::Instant now) noexcept;
    /// Writes inhibit in any case, and reads back. True when the pad is at inhibit or can't be read.
    bool force_inhibit(core::Instant now) noexcept;

    [[nodiscard]] core::LineState state() const noexcept { return state_; }
    /// Permit was written, and taken.
    [[nodiscard]] bool permits() const noexcept { return written_ && *written_; }
    /// The last inhibit that was asked for was refused: the pad's level is unknown.
    [[nodiscard]] bool refuses_inhibit() const noexcept { return refuses_inhibit_; }
    [[nodiscard]] core::Instant next_look() const noexcept { return looked_ + look_interval; }
    [[nodiscard]] drivers::Line& line() noexcept { return *line_; }

private:
    void read(core::Instant now) noexcept;
    void read_after(bool permit, core::Instant now) noexcept;

    std::unique_ptr<drivers::Line> line_;
    std::optional<bool> written_;  ///< empty: unknown, to be written at once
    bool refuses_inhibit_ = false;
    core::LineState state_;
    core::Instant looked_{};
};

}  // namespace dekeyd
