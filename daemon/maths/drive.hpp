// Is the drive right for what is sent: how far the amplifier's output lies below its 1 dB point, how far it should, and
// the drive that leads there. Total: every result is finite, or there is none.
#pragma once

#include <cstdint>
#include <optional>

#include "maths/power.hpp"
#include "plan/enum_words.hpp"

namespace dekeyd::core {

struct DriveQuestion {
    double level_dbm = 0.0;              ///< of the output: the mean, or the envelope's peak, as `advised_db` is meant
    std::optional<double> one_db_dbm{};  ///< the output at 1 dB of compression
    std::optional<double> compression_db{};  ///< as measured at that level
    double advised_db = 0.0;                 ///< that the level should lie below the 1 dB point
    double smoothness = usual_smoothness;
};

enum class DriveVerdict : std::uint8_t {
    unknown,   ///< neither a 1 dB point is known, nor is compression seen
    right,     ///< within `drive_tolerance_db`, or below
    too_high,  ///< less than advised is left
};
inline constexpr Words<DriveVerdict::too_high> drive_verdict_words{"unknown", "right", "too high"};
inline std::string_view text(DriveVerdict value) noexcept {
    return drive_verdict_words.of(value);
}

struct DriveAnswer {
    DriveVerdict verdict = DriveVerdict::unknown;
    double back_off_db = 0.0;  ///< the level below the 1 dB point; negative: beyond it
    double drive_db = 0.0;     ///< of drive to take away for what is advised; negative: room for so much more
    bool at_least = false;     ///< saturated, so that the drive is too high by that and more
};
inline constexpr double drive_tolerance_db = 0.1;

/// By Rapp's model. Where both a 1 dB point and a compression are known, the one that leaves less is believed.
DriveAnswer assess_drive(const DriveQuestion& question) noexcept;

}  // namespace dekeyd::core
