// What the amplifier does with its power: efficiency, heat, gain, compression, and how far to back off.
// Total: every result is finite, or there is none.
#pragma once

#include <cstdint>
#include <optional>

#include "maths/uncertainty.hpp"
#include "plan/enum_words.hpp"

namespace dekeyd::core {

/// Supply voltage times current, W; not below 0.
Estimate dc_power(const Estimate& supply_v, const Estimate& current_a) noexcept;

/// (forward - drive) / DC, percent, the drive's share taken off; none where DC power isn't above 0. Held to 0..100.
std::optional<Estimate> efficiency_percent(const Estimate& forward_w, const Estimate& drive_w,
                                           const Estimate& dc_w) noexcept;

/// What the heatsink must carry away, W: DC + drive - forward + `returning_w`, the reflected power that comes back
/// into the amplifier (0 where a circulator's load on its own heatsink takes it). Not below 0.
Estimate heat(const Estimate& dc_w, const Estimate& drive_w, const Estimate& forward_w,
              const Estimate& returning_w) noexcept;

/// Drive to forward in dB; none unless both are above 0.
std::optional<Estimate> gain_db(const Estimate& drive_w, const Estimate& forward_w) noexcept;

/// The gain that an uncompressed amplifier has at a temperature.
struct SmallSignalGain {
    double gain_db = 0.0;
    double db_per_k = 0.0;  ///< usually negative
    double reference_c = 25.0;
};
double expected_gain_db(const SmallSignalGain& gain, std::optional<double> temperature_c) noexcept;

/// dB under the small-signal gain; negative where the gain is above it.
Estimate compression_db(const Estimate& measured_gain_db, double small_signal_gain_db) noexcept;

// ---- the shape of the knee ---------------------------------------------------------------------------------------
// Rapp's model of a solid-state amplifier: out = in / (1 + in^2p)^(1/2p), amplitudes against saturation. p = 2 suits
// most; larger is a harder knee.

inline constexpr double usual_smoothness = 2.0;

/// Compression in dB at an output level in dB against saturation (0 = saturated, which gives `deepest_compression_db`).
double compression_at_output_db(double output_db, double smoothness = usual_smoothness) noexcept;
/// The inverse: output level against saturation, dB (negative), for a compression > 0.
double output_at_compression_db(double compression_db, double smoothness = usual_smoothness) noexcept;
inline constexpr double deepest_compression_db = 60.0;

struct HeadRoom {
    double output_db = 0.0;  ///< forward power may rise by so much until 1 dB of compression; negative: beyond it
    double drive_db = 0.0;   ///< and the drive
};
/// From the compression seen now. None below `smallest_compression_db`: there the knee can't be seen yet.
std::optional<HeadRoom> head_room_to_1_db(double compression_db, double smoothness = usual_smoothness) noexcept;
inline constexpr double smallest_compression_db = 0.1;

// ---- back-off ----------------------------------------------------------------------------------------------------

/// The heatsink as a first-order system, from ThermalFit or given.
struct HeatsinkModel {
    double now_c = 0.0;
    double ambient_c = 0.0;
    double resistance_k_per_w = 0.0;
    double time_constant_s = 0.0;
};

struct BackOffInput {
    double forward_w = 0.0;
    std::optional<double> forward_warn_w;
    std::optional<double> compression_db;  ///< measured now
    std::optional<double> compression_warn_db;
    double smoothness = usual_smoothness;
    std::optional<HeatsinkModel> heatsink;
    std::optional<double> heatsink_warn_c;
    double dc_w = 0.0;
    double quiescent_dc_w = 0.0;  ///< drawn without RF; the rest goes as the square root of the output (class AB)
    double drive_w = 0.0;
    double remaining_s = 0.0;  ///< of the planned transmission
};

/// Which warning asks for the most.
enum class BackOffReason : std::uint8_t { none, forward, compression, temperature };
inline constexpr Words<BackOffReason::temperature> back_off_reason_words{"none", "forward power", "compression",
                                                                         "heatsink temperature"};
inline std::string_view text(BackOffReason value) noexcept {
    return back_off_reason_words.of(value);
}

struct BackOff {
    double forward_db = 0.0;  ///< the forward power's reduction; 0 = none needed
    double drive_db = 0.0;    ///< the drive's, which is less where the amplifier is compressed
    BackOffReason reason = BackOffReason::none;
    bool enough = true;  ///< false: `largest_back_off_db` doesn't bring all under their warnings
    double forward_w = 0.0;
    double compression_db = 0.0;     ///< what the advice leads to; 0 where it isn't known
    double heatsink_at_end_c = 0.0;  ///< 0 where it isn't known
};
/// The smallest back-off, in steps of `back_off_step_db`, at which everything known is under its warning. Of an
/// efficient amplifier a small back-off can *raise* the heat, so this searches rather than solves.
BackOff advise_back_off(const BackOffInput& input) noexcept;
inline constexpr double back_off_step_db = 0.1;
inline constexpr int back_off_steps = 200;
inline constexpr double largest_back_off_db = back_off_step_db * back_off_steps;

}  // namespace dekeyd::core
