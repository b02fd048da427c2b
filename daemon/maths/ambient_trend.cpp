#include "maths/ambient_trend.hpp"

#include <algorithm>
#include <cmath>

#include "maths/thermal.hpp"
#include "plan/reading.hpp"

namespace dekeyd::core {

namespace {

constexpr double point_every_s = 60.0;
constexpr double memory_s = 1800.0;     // forgetting
constexpr double points_alike = 5.0;    // neighbouring minutes err alike: one independent point in so many
constexpr double least_noise_k = 0.05;  // a 12-bit 1-Wire sensor's step, about
constexpr double hour_s = 3600.0;
constexpr double fastest_k_per_h = 60.0;  // air that is said to change faster is a sensor that was moved

// Of a first-order system behind 1 K/s, after `after_s`.
double ramp_s(double time_constant_s, double after_s) noexcept {
    const double after = std::max(after_s, 0.0);
    if (!(time_constant_s > 0.0)) return after;
    return after - time_constant_s * -std::expm1(-after / time_constant_s);
}

}  // namespace

void AmbientTrend::update(double dt_s, std::optional<double> ambient_c) noexcept {
    if (!(dt_s >= 0.0)) return;
    const bool known = ambient_c && std::abs(*ambient_c) < 200.0;
    silent_s_ = known ? 0.0 : silent_s_ + std::min(dt_s, 2.0 * longest_gap_s);
    if (silent_s_ > longest_gap_s || dt_s > longest_gap_s) *this = {};
    if (!begun_) {
        if (!known) return;
        begun_ = true;
        reference_c_ = *ambient_c;
        add_point(0.0, 0.0);
        return;
    }
    pending_s_ += dt_s;
    if (known) {
        known_s_ += dt_s;
        pending_k_s_ += (*ambient_c - reference_c_) * dt_s;
    }
    if (pending_s_ < point_every_s || !(known_s_ > 0.0)) return;
    add_point(pending_s_, pending_k_s_ / known_s_);
    pending_s_ = known_s_ = pending_k_s_ = 0.0;
}

void AmbientTrend::add_point(double passed_s, double rise_k) noexcept {
    watched_s_ += passed_s;
    age_squared_ += passed_s * (2.0 * age_ + passed_s * points_);
    age_rise_ += passed_s * rise_;
    age_ += passed_s * points_;
    const double kept = std::exp(-passed_s / memory_s);
    for (double* const sum : {&points_, &age_, &age_squared_, &rise_, &age_rise_, &rise_squared_}) *sum *= kept;
    points_ += 1.0;
    rise_ += rise_k;
    rise_squared_ += rise_k * rise_k;
}

std::optional<Estimate> AmbientTrend::k_per_h() const noexcept {
    if (watched_s_ < needed_s) return std::nullopt;
    // Weighted least squares. Rises fall with age: the slope's sign changes.
    const double spread = age_squared_ - age_ * age_ / points_;
    const double slope = (age_rise_ - age_ * rise_ / points_) / spread;
    const double left_over = (rise_squared_ - rise_ * rise_ / points_ - slope * slope * spread) / points_;
    const double noise = std::sqrt(std::max(left_over, least_noise_k * least_noise_k));
    const double value = -slope * hour_s;
    const double doubt = 2.0 * noise * std::sqrt(points_alike / spread) * hour_s;
    if (!(std::abs(value) <= fastest_k_per_h) || !std::isfinite(doubt)) return std::nullopt;
    return Estimate{value, value - doubt, value + doubt};
}

Estimate sure_warming(const std::optional<Estimate>& k_per_h) noexcept {
    return k_per_h && k_per_h->low > 0.0 ? *k_per_h : Estimate{};
}

double air_rise_k(double k_per_h, double after_s) noexcept {
    return k_per_h / hour_s * std::clamp(after_s, 0.0, trend_lasts_s);
}

double heatsink_rise_k(double k_per_h, double time_constant_s, double after_s) noexcept {
    return k_per_h / hour_s * (ramp_s(time_constant_s, after_s) - ramp_s(time_constant_s, after_s - trend_lasts_s));
}

double seconds_until_warming(double now_c, double settling_c, double time_constant_s, double k_per_h,
                             double limit_c) noexcept {
    if (!(k_per_h > 0.0) || now_c >= limit_c) return seconds_until(now_c, settling_c, time_constant_s, limit_c);
    const auto reached = [&](double after_s) {
        return temperature_after(now_c, settling_c, time_constant_s, after_s) +
                   heatsink_rise_k(k_per_h, time_constant_s, after_s) >=
               limit_c;
    };
    // It is reached once: a heatsink that cools first grows warmer afterwards, and stays so.
    double before = 0.0, after = trend_lasts_s + 40.0 * std::max(time_constant_s, 0.0);
    if (!reached(after)) return unbounded;
    for (int i = 0; i < 60 && after - before > 0.01; ++i) {
        const double middle = (before + after) / 2.0;
        (reached(middle) ? after : before) = middle;
    }
    return after;
}

}  // namespace dekeyd::core
