// The numbers that a receiver elsewhere publishes of the sent signal: what each is worth, and whether it warns. Pure:
// time is given.
#pragma once

#include <array>
#include <cstddef>
#include <optional>
#include <string_view>

#include "configuration/configuration.hpp"
#include "plan/time.hpp"
#include "words/signal_text.hpp"

namespace dekeyd {

/// "42", "-3.5": digits, and a point only between digits; nothing else, no blank and no unit. None: it is no such
/// number, or none that a receiver can have measured.
std::optional<double> read_decibels(std::string_view payload);

/// A message as it came.
struct SignalArrival {
    std::string_view payload;
    core::Instant at;
    bool kept = false;     ///< or perhaps kept: by the broker or on the way, so that its age isn't known
    bool with_rf = false;  ///< the guard saw RF then
};

/// Of each measurement the message that came last, and no other.
class SignalReadings {
public:
    explicit SignalReadings(const formats::SignalConfig& signal);

    void take(formats::SignalMeasure measure, const SignalArrival& arrival);
    /// `snapshot`: the newest; of a guard that doesn't answer nothing counts.
    formats::SignalReport report(bool guard_answers, const core::Snapshot& snapshot, core::Instant now);

private:
    struct Newest {
        std::optional<double> value_db{};
        core::Instant at{};
        bool kept = false;
        bool with_rf = false;
    };
    struct Measure {
        std::optional<Newest> newest{};
        bool below = false;  ///< in this transmission, until it is better again
    };
    [[nodiscard]] formats::ReceivedState state_of(const Newest& newest, core::Duration allowed_age,
                                                  core::Instant now) const;

    const formats::SignalConfig signal_;
    std::array<Measure, formats::signal_measure_count> measures_{};
    std::optional<core::Instant> since_{};  ///< of the transmission that was reported on last
};

}  // namespace dekeyd
