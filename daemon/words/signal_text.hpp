// Is the signal clean? What the amplifier's own figures say of that, with their limits, and what a receiver elsewhere
// has measured, with its age. Nothing of this decides anything.
#pragma once

#include <array>
#include <cstdint>
#include <optional>
#include <string>
#include <string_view>

#include "core/protection.hpp"
#include "plan/enum_words.hpp"
#include "plan/plan.hpp"
#include "plan/time.hpp"
#include "words/signal_measures.hpp"

namespace dekeyd::formats {

/// So much better than what warns ends the warning.
inline constexpr double signal_hysteresis_db = 1.0;

/// The condition of a received number.
enum class ReceivedState : std::uint8_t {
    awaited,         ///< none has come since the start
    good,            ///< it came as it was published, during this transmission, and isn't too old
    not_of_this,     ///< it came as it was published and isn't too old, but not during this transmission
    of_unknown_age,  ///< the broker may have kept it
    stale,           ///< it came too long ago
    unreadable,      ///< it was no number
};
inline constexpr core::Words<ReceivedState::unreadable> received_words{
    "awaited", "good", "not of this transmission", "of unknown age", "stale", "unreadable"};

struct ReceivedMeasure {
    std::string topic{};
    double warn_below_db = 0.0;
    core::Duration allowed_age{};
    ReceivedState state = ReceivedState::awaited;
    std::optional<double> value_db{};             ///< not of what is stale or unreadable
    std::optional<core::Duration> age_at_most{};  ///< since it came, in steps
    bool warns = false;                           ///< it is good, and below
};

struct SignalReport {
    bool guard_answers = false;
    std::array<std::optional<ReceivedMeasure>, signal_measure_count> measures{};  ///< none: no receiver is configured

    [[nodiscard]] bool warns() const noexcept {
        for (const auto& one : measures)
            if (one && one->warns) return true;
        return false;
    }
};

/// "Clean by both measurements. Shoulder attenuation 42.0 dB, …". Numbers in coarse steps, rounded to the worse, so
/// that a value that wavers makes no new sentence each time. It reassures of nothing that isn't measured.
std::string signal_text(const core::Plan& plan, const core::Snapshot& snapshot, const SignalReport& report);

/// The alert of a measurement that warns.
std::string signal_warning(SignalMeasure measure, const ReceivedMeasure& received);

}  // namespace dekeyd::formats
