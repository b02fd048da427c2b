// Forecast: where the heatsink is going, and how far to back off so that nothing warns or trips; and the mean power in
// a circulator's load. Which of these a trip may rest on, and how often they are renewed, is said by core::rule_of.
#pragma once

#include <cstdint>
#include <optional>
#include <type_traits>

#include "maths/ambient_trend.hpp"
#include "maths/thermal.hpp"
#include "plan/plan.hpp"
#include "plan/reading.hpp"
#include "plan/standing.hpp"
#include "plan/time.hpp"

namespace dekeyd::core {

/// The readings of one step that the forecast rests on; empty where the quantity isn't measured at all.
struct ForecastInput {
    Instant now{};
    const Reading* heatsink = nullptr;
    const Reading* ambient = nullptr;
    const Reading* fan = nullptr;
    const Reading* heat = nullptr;
    const Reading* dc_power = nullptr;
    const Reading* forward = nullptr;
    const Reading* reflected = nullptr;
    const Reading* drive = nullptr;
    const Reading* compression = nullptr;
    std::optional<Instant> transmitting_since;
    Moment moment{};  ///< which limits stand
};

struct Forecast {
    Reading thermal_resistance, settling_temperature, time_to_limit, forecast_temperature, back_off, circulator_load;
    Reading ambient_trend{};
    template <class Archive, class Self>
    static void fields(Archive& a, Self& self) {
        a(self.thermal_resistance, self.settling_temperature, self.time_to_limit, self.forecast_temperature,
          self.back_off, self.circulator_load);
    }
};

/// Seconds until the planned transmission ends: its whole length before it begins; `unbounded` where none is planned.
double planned_left_s(const Plan& plan, const std::optional<Instant>& transmitting_since, Instant now) noexcept;

class Forecaster {
public:
    explicit Forecaster(const Plan& plan) noexcept;

    /// Every step; learns from each, works the forecast out about once a second. True when it did.
    bool update(const ForecastInput& input) noexcept;
    /// The next update works it out.
    [[nodiscard]] bool is_due(Instant now) const noexcept;
    [[nodiscard]] const Forecast& forecast() const noexcept { return forecast_; }
    /// What the ambient temperature in the estimate rests on.
    [[nodiscard]] AmbientBasis ambient_basis() const noexcept { return basis_; }

    /// The state of the ambient's trend, for captures.
    [[nodiscard]] AmbientTrend& trend() noexcept { return trend_; }
    [[nodiscard]] const AmbientTrend& trend() const noexcept { return trend_; }
    /// Its other state, for captures; the load's mean is 0 where none is configured.
    template <class Archive, class Self>
    static void fields(Archive& a, Self& self) {
        ThermalAverage load = self.circulator_.value_or(ThermalAverage{1.0});
        a(self.fit_, load, self.forecast_, self.basis_, self.last_, self.worked_out_, self.begun_);
        if constexpr (!std::is_const_v<Self>) {
            if (self.circulator_) self.circulator_->take_mean(load);
        }
    }

private:
    void work_out(const ForecastInput& input) noexcept;
    void advise(const ForecastInput& input, const ThermalEstimate& heatsink, const Estimate& warming) noexcept;

    const Plan& plan_;
    ThermalFit fit_;
    AmbientTrend trend_;
    std::optional<ThermalAverage> circulator_;
    Forecast forecast_;
    AmbientBasis basis_ = AmbientBasis::assumed;
    Instant last_{};
    Instant worked_out_{};
    bool begun_ = false;
};

}  // namespace dekeyd::core
