// Is the cooling enough: the forward power, and the share of the time, at which a heatsink settles below a level.
// Total: every result is finite.
#pragma once

#include <optional>

namespace dekeyd::core {

/// The amplifier as it runs: its DC power above the quiescent one goes as the square root of the output (class AB), its
/// drive as the output.
struct Cooling {
    double ambient_c = 0.0;
    double resistance_k_per_w = 0.0;
    double forward_w = 0.0;  ///< as it runs; above 0
    double dc_w = 0.0;
    double quiescent_dc_w = 0.0;
    double drive_w = 0.0;
};

/// Where it settles at another forward power.
double settling_at_c(const Cooling& cooling, double forward_w) noexcept;

/// The largest forward power up to `most_w` at which it settles below the level, as at every smaller one. 0: at none.
double power_that_fits_w(const Cooling& cooling, double level_c, double most_w) noexcept;

/// The share of the time, short against the heatsink's, for which `forward_w` may be sent; in 0..1.
double duty_that_fits(const Cooling& cooling, double level_c, double forward_w) noexcept;

}  // namespace dekeyd::core
