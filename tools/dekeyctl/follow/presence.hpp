// Whether a guard answers: what changes is said once. Pure.
#pragma once

#include <chrono>
#include <optional>

namespace dekeyd::ctl {

class GuardPresence {
public:
    using Time = std::chrono::steady_clock::time_point;
    enum class Change { awaited, gone, back };

    /// Silent for so long it is gone; it speaks once a second.
    static constexpr std::chrono::seconds gone_after{5};
    /// One that has not answered since the start is an event of its own only then: the machine may be starting.
    static constexpr std::chrono::seconds awaited_after{60};

    /// `told_away`: an earlier run has told that it is away, and not yet that it is back.
    GuardPresence(Time start, bool told_away) : heard_{start}, away_{told_away} {}

    void hear(Time now) noexcept {
        heard_ = now;
        known_ = true;
    }
    std::optional<Change> look(Time now) noexcept {
        const bool silent = now - heard_ >= (known_ ? gone_after : awaited_after);
        if (away_) {
            if (!known_ || silent) return std::nullopt;
            away_ = false;
            return Change::back;
        }
        if (!silent) return std::nullopt;
        away_ = true;
        const Change change = known_ ? Change::gone : Change::awaited;
        known_ = false;  // until it is heard again
        return change;
    }
    [[nodiscard]] Time heard() const noexcept { return heard_; }
    [[nodiscard]] bool is_known() const noexcept { return known_; }

private:
    Time heard_;
    bool known_ = false;  ///< it was heard, and isn't gone
    bool away_;           ///< told to be gone, or awaited
};

}  // namespace dekeyd::ctl
