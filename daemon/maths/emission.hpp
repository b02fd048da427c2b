// What follows from what is sent: how far peaks lie above the mean, what a log detector makes of it, and how long
// readings of different moments must be averaged before their ratio is the line's.
#pragma once

#include <cstdint>
#include <span>

#include "plan/time.hpp"

namespace dekeyd::core {

enum class EmissionKind : std::uint8_t { carrier, fm, morse, voice, digital_television };
enum class Modulation : std::uint8_t { none, qpsk, psk8, apsk16 };
enum class RollOff : std::uint8_t { none, percent_35, percent_25, percent_20 };

struct EmissionFacts {
    EmissionKind kind;
    Modulation modulation;
    RollOff roll_off;
    double crest_db;    ///< peak envelope power over the mean while it is sent
    double log_low_db;  ///< a log detector calibrated on a carrier, slow against the symbols, reads the mean low by it
    double mean_share;  ///< mean power over peak envelope power, at most
    /// Of a ratio: as long as the envelope's own pace takes. Zero: it stands still, and each scan is judged by itself.
    Duration ratio_time;
    int ratio_rounds;     ///< and at least so many rounds of the bus
    Duration power_time;  ///< window of mean and peak power
    /// The detectors follow the envelope: their largest reading is the peak. Else the crest comes on top.
    bool followed;

    [[nodiscard]] bool steady() const noexcept { return ratio_time == Duration::zero(); }
};

/// A row for each emission that can be said.
std::span<const EmissionFacts> emission_facts() noexcept;
/// Null where there is no such emission.
const EmissionFacts* emission_facts(EmissionKind kind, Modulation modulation, RollOff roll_off) noexcept;

}  // namespace dekeyd::core
