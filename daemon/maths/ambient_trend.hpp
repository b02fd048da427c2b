// The air grows warmer: how fast, learned from the ambient sensor, and what that does to a heatsink. Total and of fixed
// size; time comes in as seconds.
#pragma once

#include <optional>

#include "maths/uncertainty.hpp"

namespace dekeyd::core {

/// A straight line through the air's temperature of about the last half hour, forgetting.
class AmbientTrend {
public:
    static constexpr double needed_s = 1200.0;      ///< watched for so long before it says anything
    static constexpr double longest_gap_s = 600.0;  ///< without a reading for longer it begins anew

    /// `dt_s` since the last call; an ambient that is empty or no number is a gap. Work is done once a minute.
    void update(double dt_s, std::optional<double> ambient_c) noexcept;
    /// K/h with its doubt (k = 2); empty: not known yet.
    [[nodiscard]] std::optional<Estimate> k_per_h() const noexcept;

    /// Its state, for captures.
    template <class Archive, class Self>
    static void fields(Archive& a, Self& self) {
        a(self.begun_, self.reference_c_, self.watched_s_, self.silent_s_, self.pending_s_, self.pending_k_s_,
          self.known_s_, self.points_, self.age_, self.age_squared_, self.rise_, self.age_rise_, self.rise_squared_);
    }

private:
    void add_point(double passed_s, double rise_k) noexcept;

    bool begun_ = false;
    double reference_c_ = 0.0;  ///< rises are counted from here, so that the sums stay small
    double watched_s_ = 0.0;
    double silent_s_ = 0.0;
    // Since the last point: time in all, time with a reading, and the rise over that time.
    double pending_s_ = 0.0, known_s_ = 0.0, pending_k_s_ = 0.0;
    // Sums over the points, each weighted by its age: of 1, age, age squared, rise, age times rise, rise squared.
    double points_ = 0.0, age_ = 0.0, age_squared_ = 0.0, rise_ = 0.0, age_rise_ = 0.0, rise_squared_ = 0.0;
};

/// A trend of the air is taken to last for so long and no longer: a sine of 24 hours, at its steepest, goes on to rise
/// by what its slope makes in 24 h / (2 pi) = 3.8 h. (Worked out; that a day is a sine is common practice.)
inline constexpr double trend_lasts_s = 4.0 * 3600.0;

/// What a trend adds to a forecast, in K/h: its rise where it surely rises; else 0, since air that may cool again
/// reassures of nothing.
Estimate sure_warming(const std::optional<Estimate>& k_per_h) noexcept;

/// How much warmer the air is after `after_s`.
double air_rise_k(double k_per_h, double after_s) noexcept;
/// How much warmer a heatsink is for it: it follows with its time constant.
double heatsink_rise_k(double k_per_h, double time_constant_s, double after_s) noexcept;
/// Seconds until `limit_c` in air that grows warmer, as seconds_until() in air that doesn't; `unbounded`: never.
double seconds_until_warming(double now_c, double settling_c, double time_constant_s, double k_per_h,
                             double limit_c) noexcept;

}  // namespace dekeyd::core
