#include "words/cooling_text.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "core/limit.hpp"
#include "maths/ambient_trend.hpp"
#include "measure/forecast.hpp"
#include "words/units.hpp"

namespace dekeyd::formats {
namespace {

using core::Unit;

constexpr double least_warming_k = 0.5;  // less is no news

std::string degrees(double celsius) {
    return show(std::round(celsius), Unit::celsius);
}

std::string from_trip(double celsius, double trip_c) {
    // Rounded as both are shown, and never to the better side.
    const double left_k = std::round(trip_c) - std::ceil(celsius);
    if (left_k > 0.0) return fmt::format("{:.0f} K below the trip", left_k);
    return left_k < 0.0 ? fmt::format("{:.0f} K above the trip", -left_k) : "at the trip";
}

/// Two digits, rounded down: what fits must fit.
std::string power_down(double watts) {
    if (!(watts > 0.0)) return show(0.0, Unit::watt);
    const double unit = std::pow(10.0, std::floor(std::log10(watts)) - 1.0);
    return show(std::floor(watts / unit * (1.0 + 1e-9)) * unit, Unit::watt);
}

std::string what_fits(const CoolingFacts& facts, double wanted_w) {
    if (!facts.cooling) return {};
    const double fits_w = core::power_that_fits_w(*facts.cooling, facts.trip_c, wanted_w);
    const double duty = core::duty_that_fits(*facts.cooling, facts.trip_c, wanted_w);
    if (!(fits_w > 0.0) || !(duty >= 0.01)) return "; no power fits: it would be too hot without RF already";
    return fmt::format("; the power that fits is {}, or {:.0f} % duty", power_down(fits_w), std::floor(100.0 * duty));
}

}  // namespace

std::string cooling_sentence(const CoolingFacts& facts) {
    const core::Estimate& settling = facts.settling_c;
    const double now_w = facts.cooling ? facts.cooling->forward_w : 0.0;
    const double ahead_s = core::seconds(facts.ahead);
    const double warmer_k = core::air_rise_k(facts.warming_k_per_h.value, ahead_s);
    const double warmer_at_most_k = core::air_rise_k(facts.warming_k_per_h.high, ahead_s);
    const double doubt_k = settling.high - settling.value + warmer_at_most_k - warmer_k;
    const double later_c = settling.value + warmer_k;
    CoolingFacts later = facts;  // in the air as it will be
    if (later.cooling) later.cooling->ambient_c += warmer_at_most_k;
    const std::string warmer =
        warmer_k < least_warming_k
            ? std::string{}
            : fmt::format(" The air grows warmer by {}: {} in {}, {}",
                          show(facts.warming_k_per_h.value, Unit::kelvin_per_hour), degrees(later_c),
                          show(std::chrono::round<std::chrono::minutes>(facts.ahead)),
                          from_trip(later_c, facts.trip_c));
    const std::string air = warmer.empty() ? warmer : warmer + '.';
    if (!(later_c + doubt_k < facts.trip_c)) {
        const double end_c = facts.end_c.value_or(later_c);
        if (facts.planned && facts.end_c && end_c + doubt_k < facts.trip_c)
            return fmt::format(
                "Cooling adequate for the planned {}: {} at its end, {}; sent without an end it would settle at {}.",
                show(*facts.planned), degrees(end_c), from_trip(end_c, facts.trip_c), degrees(later_c));
        if (settling.high < facts.trip_c) {
            return fmt::format("Cooling adequate in the present air only: settles at {} {}.{}{}.",
                               degrees(settling.value), facts.at, warmer, what_fits(later, now_w));
        }
        if (settling.value < facts.trip_c)
            return fmt::format("Cooling not surely adequate: settles between {} and {}, and the trip is at {}.{}",
                               degrees(settling.low), degrees(settling.high), degrees(facts.trip_c), air);
        return fmt::format("Cooling not adequate: would settle at {} {}, {}{}.", degrees(settling.value), facts.at,
                           from_trip(settling.value, facts.trip_c), what_fits(facts, now_w));
    }
    const std::string now = fmt::format("settles at {} {}", degrees(settling.value), facts.at);
    // Another power than now's by 5 % and more.
    const bool other = facts.cooling && facts.planned_w > 0.0 && std::abs(facts.planned_w / now_w - 1.0) > 0.05;
    if (!other) return fmt::format("Cooling adequate: {}, {}.{}", now, from_trip(settling.value, facts.trip_c), air);
    const double then_c = core::settling_at_c(*facts.cooling, facts.planned_w) + warmer_k;
    const std::string planned =
        facts.planned ? fmt::format("for the planned {} at {}", show(*facts.planned), show(facts.planned_w, Unit::watt))
                      : fmt::format("at {}", show(facts.planned_w, Unit::watt));
    if (then_c + doubt_k < facts.trip_c)
        return fmt::format("Cooling adequate: {}; {} at most {}, {}.{}", now, planned, degrees(then_c),
                           from_trip(then_c, facts.trip_c), air);
    return fmt::format("Cooling not adequate {}: it would settle at {}, {}{}. It {}.{}", planned, degrees(then_c),
                       from_trip(then_c, facts.trip_c), what_fits(later, facts.planned_w), now, air);
}

std::string cooling_text(const core::Plan& plan, const core::Snapshot& snapshot) {
    const auto heatsink = plan.roles.heatsink;
    const core::QuantityIndex settling = plan.index(core::Derived::settling_temperature);
    if (snapshot.state != core::State::permitted || !snapshot.rf_present || !heatsink ||
        !core::can_be_known(plan, settling) || snapshot.quantities.size() < plan.quantity_count())
        return {};
    const auto trip_c = core::lowest_possible_trip(plan, heatsink, {.quantities = snapshot.quantities});
    if (!trip_c) return "Cooling not judged: no limit trips on the heatsink's temperature.";
    const auto good = [&](core::QuantityIndex index) -> const core::Reading* {
        const core::Reading& reading = snapshot.quantities[index];
        return reading.health == core::Health::good && std::isfinite(reading.value) ? &reading : nullptr;
    };
    const core::Reading* const end = good(settling);
    if (end == nullptr) return "Cooling not known yet: the heatsink is still learned.";
    CoolingFacts facts{.settling_c = {end->value, end->low, end->high},
                       .trip_c = *trip_c,
                       .cooling = {},
                       .planned_w = plan.rf.rated_w,
                       .planned = plan.heat.planned_transmission,
                       .end_c = {},
                       .at = "at this power",
                       .warming_k_per_h = {},
                       .ahead = {}};
    if (const core::Reading* const forecast = good(plan.index(core::Derived::forecast_temperature));
        forecast != nullptr && plan.heat.planned_transmission)
        facts.end_c = forecast->value;
    if (const core::QuantityIndex trend = plan.index(core::Derived::ambient_trend);
        core::can_be_known(plan, trend) && good(trend) != nullptr) {
        const core::Reading& k_per_h = *good(trend);
        facts.warming_k_per_h = core::sure_warming(core::Estimate{k_per_h.value, k_per_h.low, k_per_h.high});
        facts.ahead = to_duration(
            std::min(core::planned_left_s(plan, snapshot.transmitting_since, snapshot.now), core::trend_lasts_s));
    }
    const core::Reading* const resistance = good(plan.index(core::Derived::thermal_resistance));
    const core::Reading* const heat = good(plan.index(core::Derived::heat));
    const core::Reading* const dc = good(plan.index(core::Derived::dc_power));
    const core::Reading* const forward = good(*plan.roles.forward);
    if (resistance != nullptr && heat != nullptr && dc != nullptr && forward != nullptr &&
        forward->value >= plan.rf.minimum_forward_w)
        facts.cooling = core::Cooling{.ambient_c = end->value - resistance->value * heat->value,
                                      .resistance_k_per_w = resistance->value,
                                      .forward_w = forward->value,
                                      .dc_w = dc->value,
                                      .quiescent_dc_w = plan.heat.quiescent_w,
                                      .drive_w = std::max(0.0, heat->value + forward->value - dc->value)};
    return cooling_sentence(facts);
}

}  // namespace dekeyd::formats
