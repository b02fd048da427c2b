#include "measure/forecast.hpp"

#include <algorithm>
#include <limits>

#include "maths/power.hpp"
#include "measure/derived.hpp"

namespace dekeyd::core {

namespace {

constexpr double no_number = std::numeric_limits<double>::quiet_NaN();  // ThermalFit takes it as a gap

bool good(const Reading* reading) noexcept {
    return reading != nullptr && reading->health == Health::good;
}

}  // namespace

double planned_left_s(const Plan& plan, const std::optional<Instant>& transmitting_since, Instant now) noexcept {
    if (!plan.heat.planned_transmission) return unbounded;  // sent without an end
    const Duration gone = transmitting_since ? now - *transmitting_since : Duration::zero();
    return std::max(seconds(*plan.heat.planned_transmission - gone), 0.0);
}

Forecaster::Forecaster(const Plan& plan) noexcept : plan_{plan} {
    if (plan.rf.circulator_load_time) circulator_.emplace(seconds(*plan.rf.circulator_load_time));
}

bool Forecaster::update(const ForecastInput& input) noexcept {
    const double passed_s = begun_ ? seconds(input.now - last_) : 0.0;
    last_ = input.now;
    const bool rpm_known = input.fan != nullptr && input.fan->measured();
    const std::size_t fan = rpm_known ? fan_state_of(input.fan->value, plan_.heat.full_fan_rpm.value_or(0.0)) : 0;
    const auto ambient_c = good(input.ambient) ? std::optional<double>{input.ambient->value} : std::nullopt;
    fit_.update(passed_s, good(input.heatsink) ? input.heatsink->value : no_number,
                good(input.heat) ? input.heat->value : no_number, ambient_c, fan);
    trend_.update(passed_s, ambient_c);
    if (circulator_ && input.reflected != nullptr && input.reflected->health != Health::unknown) {
        circulator_->update(passed_s, input.reflected->health == Health::at_floor ? 0.0 : input.reflected->value);
    }
    if (!is_due(input.now)) return false;
    begun_ = true;
    worked_out_ = input.now;
    work_out(input);
    return true;
}

bool Forecaster::is_due(Instant now) const noexcept {
    return !begun_ || now - worked_out_ >= std::chrono::seconds{1};
}

void Forecaster::work_out(const ForecastInput& input) noexcept {
    const Instant now = input.now;
    const Reading silent = not_measurable(now);
    forecast_ = {silent, silent, silent, silent, silent, silent, silent};
    if (circulator_ && input.reflected != nullptr) {
        const double load_w = circulator_->mean();
        const Reading& reflected = *input.reflected;
        const Health health = reflected.health == Health::above_range ? Health::above_range : Health::good;
        forecast_.circulator_load = reflected.health == Health::unknown
                                        ? Reading{.fault = reflected.fault, .taken = reflected.taken}
                                        : reading_of({load_w, load_w, load_w}, now, health);
    }
    const double heat_w = good(input.heat) ? input.heat->value : 0.0;
    const ThermalEstimate heatsink = fit_.estimate(heat_w);
    basis_ = heatsink.ambient;
    const auto trend = trend_.k_per_h();
    if (trend) forecast_.ambient_trend = reading_of(*trend, now);
    const Estimate warming = sure_warming(trend);
    if (heatsink.resistance_known) forecast_.thermal_resistance = reading_of(heatsink.resistance_k_per_w, now);
    if (heatsink.settling_known && good(input.heatsink) && good(input.heat)) {
        const double now_c = input.heatsink->value;
        const double tau_s = heatsink.time_constant_s.value;
        forecast_.settling_temperature = reading_of(heatsink.settling_c, now);
        if (const auto trip_c = lowest_possible_trip(plan_, plan_.roles.heatsink, input.moment)) {
            const auto until = [&](double settling_c, double k_per_h) {
                return seconds_until_warming(now_c, settling_c, tau_s, k_per_h, *trip_c);
            };
            forecast_.time_to_limit =
                reading_of({until(heatsink.settling_c.value, warming.value),
                            until(heatsink.settling_c.high, warming.high), until(heatsink.settling_c.low, warming.low)},
                           now);
        }
        Estimate end = heatsink.settling_c;
        const double left_s = planned_left_s(plan_, input.transmitting_since, now);
        if (plan_.heat.planned_transmission && input.transmitting_since) {
            const auto after = [&](double settling_c) { return temperature_after(now_c, settling_c, tau_s, left_s); };
            end = {after(end.value), after(end.low), after(end.high)};
        }
        end.value += heatsink_rise_k(warming.value, tau_s, left_s);
        end.low += heatsink_rise_k(warming.low, tau_s, left_s);
        end.high += heatsink_rise_k(warming.high, tau_s, left_s);
        forecast_.forecast_temperature = reading_of(end, now);
    }
    advise(input, heatsink, warming);
}

void Forecaster::advise(const ForecastInput& input, const ThermalEstimate& heatsink, const Estimate& warming) noexcept {
    const bool rf = good(input.forward) && input.forward->value >= plan_.rf.minimum_forward_w;
    BackOffInput ask;
    ask.forward_warn_w = lowest_level(plan_, plan_.roles.forward, input.moment);
    ask.compression_warn_db = lowest_level(plan_, plan_.index(Derived::compression), input.moment);
    ask.heatsink_warn_c = lowest_level(plan_, plan_.roles.heatsink, input.moment);
    if (!rf || !(ask.forward_warn_w || ask.compression_warn_db || ask.heatsink_warn_c)) return;
    ask.forward_w = input.forward->value;
    if (good(input.compression)) ask.compression_db = input.compression->value;
    ask.dc_w = good(input.dc_power) ? input.dc_power->value : 0.0;
    ask.quiescent_dc_w = plan_.heat.quiescent_w;
    ask.drive_w = good(input.drive) ? input.drive->value : 0.0;
    ask.remaining_s = planned_left_s(plan_, input.transmitting_since, input.now);
    if (heatsink.resistance_known && good(input.heatsink) && good(input.dc_power)) {
        const double warmer_k = air_rise_k(warming.value, ask.remaining_s);
        ask.heatsink = HeatsinkModel{input.heatsink->value, heatsink.ambient_c.value + warmer_k,
                                     heatsink.resistance_k_per_w.value, heatsink.time_constant_s.value};
    }
    const BackOff advice = advise_back_off(ask);
    forecast_.back_off = reading_of({advice.forward_db, advice.forward_db, advice.forward_db}, input.now);
}

}  // namespace dekeyd::core
