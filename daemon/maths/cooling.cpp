#include "maths/cooling.hpp"

#include <algorithm>
#include <cmath>

#include "plan/reading.hpp"

namespace dekeyd::core {

namespace {

constexpr int steps = 1000;

double heat_at_w(const Cooling& c, double forward_w) noexcept {
    const double ratio = c.forward_w > 0.0 ? std::max(0.0, forward_w) / c.forward_w : 0.0;
    const double quiescent = std::clamp(c.quiescent_dc_w, 0.0, std::max(0.0, c.dc_w));
    const double dc = quiescent + (c.dc_w - quiescent) * std::sqrt(ratio);
    return std::max(0.0, dc + c.drive_w * ratio - std::max(0.0, forward_w));
}

}  // namespace

double settling_at_c(const Cooling& cooling, double forward_w) noexcept {
    const double settling = cooling.ambient_c + cooling.resistance_k_per_w * heat_at_w(cooling, forward_w);
    return std::isnan(settling) ? unbounded : std::clamp(settling, -unbounded, unbounded);
}

double power_that_fits_w(const Cooling& cooling, double level_c, double most_w) noexcept {
    // Of an efficient amplifier less power can be more heat, so this searches from below rather than solves.
    double fits = 0.0;
    for (int step = 0; step <= steps; ++step) {
        const double forward_w = most_w * step / steps;
        if (!(settling_at_c(cooling, forward_w) < level_c)) return fits;
        fits = forward_w;
    }
    return fits;
}

double duty_that_fits(const Cooling& cooling, double level_c, double forward_w) noexcept {
    const double on_c = settling_at_c(cooling, forward_w), off_c = settling_at_c(cooling, 0.0);
    if (on_c < level_c) return 1.0;
    if (!(off_c < level_c)) return 0.0;
    return std::clamp((level_c - off_c) / (on_c - off_c), 0.0, 1.0);
}

}  // namespace dekeyd::core
