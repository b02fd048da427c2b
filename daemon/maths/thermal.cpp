#include "maths/thermal.hpp"

#include <algorithm>
#include <cmath>

#include "plan/reading.hpp"

namespace dekeyd::core {

namespace {

constexpr double work_every_s = 1.0;
constexpr double filter_s = 60.0;       // the low-pass: well under a heatsink's time constant, well over a sensor's lag
constexpr double memory_s = 3600.0;     // forgetting
constexpr double independent_s = 30.0;  // neighbouring samples err alike: one independent sample in so much time
constexpr double least_noise_k = 0.05;  // a 12-bit 1-Wire sensor's step, about
constexpr double heat_unit_w = 100.0;   // keeps the numbers of the fit near each other
constexpr double measured_doubt_k = 0.5;  // an ambient sensor's own error
constexpr double idle_doubt_k = 3.0;      // first seen without heat: near ambient
constexpr double hot_doubt_k = 15.0;      // first seen with heat on
constexpr double idle_heat_w = 5.0;

// Priors, wide: any heatsink from a film canister to a cabinet.
constexpr double prior_heating = heat_unit_w / 1000.0;  // 100 W / (1000 J/K)
constexpr double prior_heating_doubt = 2.0;
constexpr double prior_rate = 1.0 / 500.0;
constexpr double prior_rate_doubt = 1.0 / 40.0;
constexpr double usual_lag_s = 3.0;  // of flange and sensor
constexpr double lag_doubt_s = 4.0;

// When a number is good enough to be shown (at k = 2).
constexpr double settling_good_k = 5.0;
constexpr double resistance_good = 0.15;
constexpr double rate_good = 0.5;

// No heatsink is one lump: with a flange of its own in between, the fit comes out slow and a little hot. Half-widths at
// k = 2, from networks of two lumps after one time constant.
constexpr double lump_doubt = 0.06;           // of resistance, capacity and time constant
constexpr double lump_settling_doubt = 0.02;  // of the rise

double finite_or(double value, double otherwise) noexcept {
    return std::isfinite(value) ? value : otherwise;
}

double bounded_finite(double value) noexcept {
    return std::isnan(value) ? unbounded : std::clamp(value, -unbounded, unbounded);
}

// A value with its deviation, and the doubt (at k = 2) about the model itself.
Estimate around(double value, double deviation, double model_doubt = 0.0) noexcept {
    const double half_width = std::hypot(2.0 * deviation, model_doubt);
    return tidy({value, value - half_width, value + half_width});
}

}  // namespace

SteadyTemperatures steady_temperatures(const ThermalPath& path, double heat_w, double ambient_c) noexcept {
    const double sink = ambient_c + heat_w * path.sink_to_ambient_k_per_w;
    const double case_c = sink + heat_w * path.case_to_sink_k_per_w;
    return {bounded_finite(case_c + heat_w * path.junction_to_case_k_per_w), bounded_finite(case_c),
            bounded_finite(sink)};
}

double temperature_after(double now_c, double settling_c, double time_constant_s, double after_s) noexcept {
    const double way = time_constant_s > 0.0 ? std::exp(-std::max(0.0, after_s) / time_constant_s) : 0.0;
    return bounded_finite(settling_c + (now_c - settling_c) * finite_or(way, 1.0));
}

double seconds_until(double now_c, double settling_c, double time_constant_s, double limit_c) noexcept {
    if (!std::isfinite(now_c) || !std::isfinite(settling_c) || !std::isfinite(limit_c)) return 0.0;
    if (now_c >= limit_c) return 0.0;
    if (settling_c <= limit_c) return unbounded;
    if (!(time_constant_s > 0.0)) return 0.0;
    return std::clamp(finite_or(time_constant_s * std::log((settling_c - now_c) / (settling_c - limit_c)), unbounded),
                      0.0, unbounded);
}

double ThermalAverage::update(double dt_s, double value) noexcept {
    if (!(dt_s > 0.0) || !std::isfinite(value)) return mean_;
    const double held = std::clamp(value, -unbounded, unbounded);
    const double kept = time_constant_s_ > 0.0 ? finite_or(std::exp(-dt_s / time_constant_s_), 1.0) : 0.0;
    mean_ = held + (mean_ - held) * kept;
    return mean_;
}

std::size_t fan_state_of(double rpm, double full_rpm) noexcept {
    if (!(rpm > 0.0)) return 0;
    if (!(full_rpm > 0.0)) return 2;
    const double share = rpm / full_rpm;
    return share < 0.1 ? 0 : share < 0.6 ? 1 : 2;
}

void ThermalFit::start_stretch(double heatsink_c, std::size_t fan_state) noexcept {
    fan_ = std::min(fan_state, fan_states - 1);
    in_stretch_ = true;
    filtered_heat_ = filtered_rise_ = filtered_one_ = 0.0;
    // So that the left side of the fit, T - filtered T / filter_s, begins at exactly 0.
    filtered_temperature_ = heatsink_c * filter_s;
    last_c_ = heatsink_c;
    pending_s_ = pending_heat_j_ = silent_s_ = 0.0;
    following_ = false;
}

void ThermalFit::update(double dt_s, double heatsink_c, double heat_w, std::optional<double> ambient_c,
                        std::size_t fan_state) noexcept {
    if (!(dt_s >= 0.0)) return;
    const bool measured = ambient_c && std::abs(*ambient_c) < 200.0;
    if (!(std::abs(heatsink_c) < 1000.0) || !(std::abs(heat_w) < 1.0e6)) {
        silent_s_ += std::min(dt_s, 2.0 * longest_gap_s);
        if (silent_s_ > longest_gap_s) in_stretch_ = false;
        return;
    }
    const double elapsed = dt_s + silent_s_;
    silent_s_ = 0.0;
    if (measured) {
        if (!measured_) {  // what was learned against a guess doesn't fit
            known_ = {};
            in_stretch_ = false;
        }
        reference_c_ = *ambient_c;
        reference_doubt_k_ = measured_doubt_k;
        reference_set_ = measured_ = true;
        ambient_silent_s_ = 0.0;
    } else if (measured_) {
        ambient_silent_s_ += elapsed;
        if (ambient_silent_s_ > longest_ambient_gap_s) {
            measured_ = false;
            reference_doubt_k_ = idle_doubt_k;
        }
    } else if (!reference_set_) {
        reference_c_ = heatsink_c;
        reference_doubt_k_ = heat_w < idle_heat_w ? idle_doubt_k : hot_doubt_k;
        reference_set_ = true;
    }
    if (!in_stretch_ || elapsed > longest_gap_s || std::min(fan_state, fan_states - 1) != fan_) {
        start_stretch(heatsink_c, fan_state);
        return;
    }
    pending_s_ += elapsed;
    pending_heat_j_ += heat_w * elapsed;
    if (pending_s_ < work_every_s) return;
    learn(pending_s_, heatsink_c, pending_heat_j_ / pending_s_, reference_c_);
    pending_s_ = pending_heat_j_ = 0.0;
}

void ThermalFit::learn(double dt_s, double heatsink_c, double heat_w, double reference_c) noexcept {
    // x filtered by 1/(s + 1/filter_s); the temperature between two readings counts as their mean.
    const double kept = std::exp(-dt_s / filter_s);
    const double between_c = (last_c_ + heatsink_c) / 2.0;
    const auto pass = [&](double& state, double input) { state = state * kept + input * filter_s * (1.0 - kept); };
    pass(filtered_heat_, heat_w / heat_unit_w);
    if (!following_) followed_heat_ = heat_w / heat_unit_w * filter_s;
    following_ = true;
    pass(followed_heat_, heat_w / heat_unit_w);
    pass(filtered_rise_, between_c - reference_c);
    pass(filtered_one_, 1.0);
    pass(filtered_temperature_, between_c);
    last_c_ = heatsink_c;

    const double left = heatsink_c - filtered_temperature_ / filter_s;
    const Vector right{filtered_heat_, -filtered_rise_, filtered_one_,
                       heat_w / heat_unit_w - followed_heat_ / filter_s};
    Knowledge& k = known_[fan_];
    const double remembered = std::exp(-dt_s / memory_s);
    for (std::size_t i = 0; i < unknowns; ++i) {
        for (std::size_t j = 0; j < unknowns; ++j) {
            k.information.row[i][j] = k.information.row[i][j] * remembered + right[i] * right[j] * dt_s;
        }
        k.moment[i] = k.moment[i] * remembered + right[i] * left * dt_s;
    }
    k.square = k.square * remembered + left * left * dt_s;
    k.weight = k.weight * remembered + dt_s;
}

// By Gauss and Jordan. The prior keeps every pivot above 0; what rounding does is caught.
bool ThermalFit::invert(Matrix from, Matrix& to) noexcept {
    for (std::size_t i = 0; i < unknowns; ++i) {
        to.row[i] = {};
        to.row[i][i] = 1.0;
    }
    for (std::size_t p = 0; p < unknowns; ++p) {
        const double pivot = from.row[p][p];
        if (!std::isfinite(pivot) || !(pivot > 0.0)) return false;
        for (std::size_t j = 0; j < unknowns; ++j) {
            from.row[p][j] /= pivot;
            to.row[p][j] /= pivot;
        }
        for (std::size_t i = 0; i < unknowns; ++i) {
            if (i == p) continue;
            const double factor = from.row[i][p];
            for (std::size_t j = 0; j < unknowns; ++j) {
                from.row[i][j] -= factor * from.row[p][j];
                to.row[i][j] -= factor * to.row[p][j];
            }
        }
    }
    return true;
}

// The most likely values and their covariance: normal equations plus the prior, twice, since both the noise and the
// ambient's prior (in K/s) depend on the values.
ThermalFit::Solution ThermalFit::solve(const Knowledge& k) const noexcept {
    Solution s;
    double variance = least_noise_k * least_noise_k;
    double rate = prior_rate;
    double heating = prior_heating;
    for (int pass = 0; pass < 3; ++pass) {
        const Vector doubt{prior_heating_doubt, prior_rate_doubt, std::max(rate, 1.0e-5) * reference_doubt_k_,
                           std::max(heating, 1.0e-3) * lag_doubt_s};
        const Vector expected{prior_heating, prior_rate, 0.0, -heating * usual_lag_s};
        const double scale = 1.0 / (independent_s * variance);
        Matrix a;
        Vector b{};
        for (std::size_t i = 0; i < unknowns; ++i) {
            for (std::size_t j = 0; j < unknowns; ++j) a.row[i][j] = k.information.row[i][j] * scale;
            const double prior = 1.0 / (doubt[i] * doubt[i]);
            a.row[i][i] += prior;
            b[i] = k.moment[i] * scale + prior * expected[i];
        }
        s.sound = invert(a, s.covariance);
        if (!s.sound) return s;
        for (std::size_t i = 0; i < unknowns; ++i) {
            s.value[i] = 0.0;
            for (std::size_t j = 0; j < unknowns; ++j) s.value[i] += s.covariance.row[i][j] * b[j];
        }
        for (std::size_t i = 0; i < unknowns; ++i) {
            if (!std::isfinite(s.value[i]) || !(s.covariance.row[i][i] > 0.0)) s.sound = false;
        }
        if (!s.sound) return s;
        rate = s.value[1];
        heating = s.value[0];
        double residual = k.square;
        for (std::size_t i = 0; i < unknowns; ++i) {
            residual -= 2.0 * s.value[i] * k.moment[i];
            for (std::size_t j = 0; j < unknowns; ++j) residual += s.value[i] * s.value[j] * k.information.row[i][j];
        }
        variance = least_noise_k * least_noise_k;
        if (k.weight > 0.0) variance = std::max(variance, residual / k.weight);
    }
    return s;
}

ThermalEstimate ThermalFit::estimate(double heat_w) const noexcept {
    ThermalEstimate e;
    e.ambient = measured_ ? AmbientBasis::measured : AmbientBasis::assumed;
    e.ambient_c = around(reference_c_, reference_doubt_k_ / 2.0);
    const Knowledge& k = known_[fan_];
    if (!reference_set_ || !(k.weight > 0.0) || !std::isfinite(heat_w)) return e;
    const Solution s = solve(k);
    const double heating = s.value[0] / heat_unit_w;  // 1/C
    const double rate = s.value[1];                   // 1/(RC)
    const double drift = s.value[2];
    if (!s.sound || !(heating > 1.0e-7) || !(rate > 1.0e-6)) return e;

    // A deviation by the first derivatives, of a function of (heating in heat units, rate, drift).
    const auto deviation = [&s](const Vector& slope) {
        double variance = 0.0;
        for (std::size_t i = 0; i < unknowns; ++i) {
            for (std::size_t j = 0; j < unknowns; ++j) variance += slope[i] * s.covariance.row[i][j] * slope[j];
        }
        return std::sqrt(std::max(0.0, variance));
    };
    const double resistance = heating / rate;
    const double units = heat_w / heat_unit_w;
    const double rise = (heating * heat_w + drift) / rate;
    e.settling_c =
        around(reference_c_ + rise, deviation({units / rate, -rise / rate, 1.0 / rate}), lump_settling_doubt * rise);
    const auto lumped = [](double value, double spread) { return around(value, spread, lump_doubt * value); };
    e.time_constant_s = lumped(1.0 / rate, deviation({0.0, 1.0 / (rate * rate), 0.0}));
    e.capacity_j_per_k = lumped(1.0 / heating, deviation({1.0 / (heating * heating * heat_unit_w), 0.0, 0.0}));
    e.resistance_k_per_w = lumped(resistance, deviation({1.0 / (rate * heat_unit_w), -resistance / rate, 0.0}));
    const double ambient_deviation = deviation({0.0, -drift / (rate * rate), 1.0 / rate});
    if (!measured_) {
        e.ambient_c = around(reference_c_ + drift / rate, ambient_deviation);
        if (ambient_deviation < reference_doubt_k_ / 3.0) e.ambient = AmbientBasis::fitted;
    }
    e.settling_known = e.settling_c.high - e.settling_c.value <= settling_good_k &&
                       e.time_constant_s.high - e.time_constant_s.value <= rate_good * e.time_constant_s.value;
    e.resistance_known = e.settling_known && e.resistance_k_per_w.high - resistance <= resistance_good * resistance;
    return e;
}

}  // namespace dekeyd::core
