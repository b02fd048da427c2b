#include "maths/power.hpp"

#include <cmath>

#include "maths/thermal.hpp"

namespace dekeyd::core {

namespace {

Estimate not_below(double least, Estimate e) noexcept {
    return {std::max(least, e.value), std::max(least, e.low), std::max(least, e.high)};
}

Estimate held_to(double least, double most, const Estimate& e) noexcept {
    return {std::clamp(e.value, least, most), std::clamp(e.low, least, most), std::clamp(e.high, least, most)};
}

// 2p, kept where the powers below stay finite.
double exponent(double smoothness) noexcept {
    return 2.0 * (std::isnan(smoothness) ? usual_smoothness : std::clamp(smoothness, 0.5, 10.0));
}

double finite_or(double value, double otherwise) noexcept {
    return std::isfinite(value) ? value : otherwise;
}

struct Outcome {
    BackOffReason reason = BackOffReason::none;
    double compression_db = 0.0;
    double heatsink_at_end_c = 0.0;
    double drive_db = 0.0;
};

// Where `back_off_db` less forward power leads, and the first thing that is still at or over its warning.
Outcome outcome(const BackOffInput& in, double back_off_db) noexcept {
    Outcome result;
    result.drive_db = back_off_db;
    const double ratio = std::pow(10.0, -back_off_db / 10.0);
    if (in.forward_warn_w && !(in.forward_w * ratio < *in.forward_warn_w)) result.reason = BackOffReason::forward;
    if (in.compression_db) {
        const double now = finite_or(*in.compression_db, deepest_compression_db);
        double then = now;
        if (now > 0.0) {
            const double level = output_at_compression_db(now, in.smoothness);
            then = compression_at_output_db(level - back_off_db, in.smoothness);
        }
        result.compression_db = then;
        result.drive_db = std::max(0.0, back_off_db + now - then);
        if (in.compression_warn_db && !(then < *in.compression_warn_db)) result.reason = BackOffReason::compression;
    }
    if (in.heatsink) {
        const double quiescent = std::clamp(finite_or(in.quiescent_dc_w, 0.0), 0.0, std::max(0.0, in.dc_w));
        const double dc = quiescent + (in.dc_w - quiescent) * std::sqrt(ratio);
        const double drive = in.drive_w * std::pow(10.0, -result.drive_db / 10.0);
        const double heat_then = std::max(0.0, dc + drive - in.forward_w * ratio);
        const HeatsinkModel& sink = *in.heatsink;
        const double settling = sink.ambient_c + sink.resistance_k_per_w * heat_then;
        result.heatsink_at_end_c = temperature_after(sink.now_c, settling, sink.time_constant_s, in.remaining_s);
        if (in.heatsink_warn_c && !(result.heatsink_at_end_c < *in.heatsink_warn_c)) {
            result.reason = BackOffReason::temperature;
        }
    }
    return result;
}

}  // namespace

Estimate dc_power(const Estimate& supply_v, const Estimate& current_a) noexcept {
    return not_below(
        0.0, propagate([](const std::array<double, 2>& x) { return x[0] * x[1]; }, std::array{supply_v, current_a}));
}

std::optional<Estimate> efficiency_percent(const Estimate& forward_w, const Estimate& drive_w,
                                           const Estimate& dc_w) noexcept {
    if (!(dc_w.value > 0.0) || !std::isfinite(forward_w.value) || !std::isfinite(drive_w.value)) return std::nullopt;
    const auto efficiency = [](const std::array<double, 3>& x) {
        return x[2] > 0.0 ? 100.0 * (x[0] - x[1]) / x[2] : 100.0;
    };
    return held_to(0.0, 100.0, propagate(efficiency, std::array{forward_w, drive_w, dc_w}));
}

Estimate heat(const Estimate& dc_w, const Estimate& drive_w, const Estimate& forward_w,
              const Estimate& returning_w) noexcept {
    return not_below(0.0, propagate([](const std::array<double, 4>& x) { return x[0] + x[1] - x[2] + x[3]; },
                                    std::array{dc_w, drive_w, forward_w, returning_w}));
}

std::optional<Estimate> gain_db(const Estimate& drive_w, const Estimate& forward_w) noexcept {
    if (!(drive_w.value > 0.0) || !(forward_w.value > 0.0)) return std::nullopt;
    const auto in_dbm = [](const Estimate& watts) {
        return Estimate{dbm_from_watts(watts.value), dbm_from_watts(watts.low), dbm_from_watts(watts.high)};
    };
    return propagate([](const std::array<double, 2>& dbm) { return dbm[1] - dbm[0]; },
                     std::array{in_dbm(drive_w), in_dbm(forward_w)});
}

double expected_gain_db(const SmallSignalGain& gain, std::optional<double> temperature_c) noexcept {
    const double away = temperature_c && std::isfinite(*temperature_c) ? *temperature_c - gain.reference_c : 0.0;
    return std::clamp(finite_or(gain.gain_db + gain.db_per_k * away, 0.0), -200.0, 200.0);
}

Estimate compression_db(const Estimate& measured_gain_db, double small_signal_gain_db) noexcept {
    return tidy({small_signal_gain_db - measured_gain_db.value, small_signal_gain_db - measured_gain_db.high,
                 small_signal_gain_db - measured_gain_db.low});
}

double compression_at_output_db(double output_db, double smoothness) noexcept {
    // in = out / (1 - out^2p)^(1/2p), so compression = -(20/2p) log10(1 - out^2p).
    const double e = exponent(smoothness);
    if (!(output_db < 0.0)) return deepest_compression_db;
    const double left = 1.0 - std::pow(10.0, std::max(output_db, -400.0) * e / 20.0);
    return left > 0.0 ? std::clamp(-(20.0 / e) * std::log10(left), 0.0, deepest_compression_db)
                      : deepest_compression_db;
}

double output_at_compression_db(double compression_db, double smoothness) noexcept {
    const double e = exponent(smoothness);
    const double c =
        std::isnan(compression_db) ? deepest_compression_db : std::clamp(compression_db, 0.0, deepest_compression_db);
    const double power = 1.0 - std::pow(10.0, -c * e / 20.0);
    return power > 0.0 ? std::clamp((20.0 / e) * std::log10(power), -200.0, 0.0) : -200.0;
}

std::optional<HeadRoom> head_room_to_1_db(double compression_db, double smoothness) noexcept {
    if (!(compression_db >= smallest_compression_db)) return std::nullopt;
    const double c = std::min(compression_db, deepest_compression_db);
    const double output = output_at_compression_db(1.0, smoothness) - output_at_compression_db(c, smoothness);
    return HeadRoom{output, output + 1.0 - c};
}

BackOff advise_back_off(const BackOffInput& input) noexcept {
    BackOff advice;
    Outcome found;
    int step = 0;
    for (; step <= back_off_steps; ++step) {
        found = outcome(input, back_off_step_db * step);
        if (found.reason == BackOffReason::none) break;
        advice.reason = found.reason;  // the last to come under its warning is the one that asks for the most
    }
    advice.enough = step <= back_off_steps;
    advice.forward_db = back_off_step_db * std::min(step, back_off_steps);
    advice.drive_db = finite_or(found.drive_db, advice.forward_db);
    advice.forward_w = finite_or(input.forward_w * std::pow(10.0, -advice.forward_db / 10.0), 0.0);
    advice.compression_db = finite_or(found.compression_db, 0.0);
    advice.heatsink_at_end_c = finite_or(found.heatsink_at_end_c, 0.0);
    return advice;
}

}  // namespace dekeyd::core
