#include "maths/exposure.hpp"

#include <algorithm>
#include <cmath>
#include <numbers>

#include "plan/reading.hpp"

namespace dekeyd::core {

namespace {

constexpr double pi = std::numbers::pi;
constexpr double light_m_per_s = 299792458.0;
constexpr double mw_per_cm2 = 10.0;  // in W/m^2

double bounded_positive(double value) noexcept {
    return std::isnan(value) ? unbounded : std::clamp(value, 0.0, unbounded);
}

double ratio(double db) noexcept {
    return std::pow(10.0, (std::isnan(db) ? 200.0 : std::clamp(db, -200.0, 200.0)) / 10.0);
}

double decibels(double times) noexcept {
    return times > 0.0 ? std::clamp(10.0 * std::log10(times), -200.0, 200.0) : -200.0;
}

bool usable(const Dish& dish, double frequency_hz) noexcept {
    return dish.diameter_m > 1.0e-3 && dish.diameter_m < 1.0e3 && frequency_hz > 1.0e6 && frequency_hz < 1.0e13 &&
           dish.efficiency > 0.0;
}

double held_efficiency(const Dish& dish) noexcept {
    return std::min(1.0, dish.efficiency);
}

// A ground can't take power away; an unknown one is a perfect mirror.
double held_ground(double factor) noexcept {
    return std::isnan(factor) ? ground_perfect : std::clamp(factor, ground_none, ground_perfect);
}

struct Reach {
    double distance_m = 0.0;
    ExposureZone zone = ExposureZone::none;
};

// The largest distance at which the dish's beam is still at the limit.
Reach dish_reach(double power_w, const Dish& dish, double frequency_hz, double limit, double ground) noexcept {
    const ApertureFields fields = aperture_fields(power_w, dish, frequency_hz);
    const double far = far_field_distance_m(power_w, dish_gain_dbi(dish, frequency_hz), limit, ground);
    if (far >= fields.far_begin_m) return {far, ExposureZone::far_field};
    const double falling = bounded_positive(fields.near_w_per_m2 * ground * fields.near_end_m / limit);
    if (falling >= fields.near_end_m) return {falling, ExposureZone::transition};
    return {0.0, ExposureZone::none};
}

}  // namespace

// ICNIRP 2020 (Health Physics 118:483), table 5, and 47 CFR 1.1310: each figure was read in two reproductions that
// don't know of each other, and not in the documents themselves. The user is told, and asked to check.
std::optional<ExposureLimit> exposure_limit(ExposureRule rule, ExposureGroup group, double frequency_hz) noexcept {
    const double mhz = frequency_hz / 1.0e6;
    const bool people = group == ExposureGroup::general_public;
    if (!(mhz >= 30.0)) return std::nullopt;
    if (rule == ExposureRule::fcc) {
        constexpr std::string_view edition = "FCC, 47 CFR 1.1310 (1996 limits)";
        const double averaging_s = people ? 1800.0 : 360.0;
        if (mhz < 300.0) return ExposureLimit{(people ? 0.2 : 1.0) * mw_per_cm2, averaging_s, edition};
        if (mhz < 1500.0) return ExposureLimit{mhz / (people ? 1500.0 : 300.0) * mw_per_cm2, averaging_s, edition};
        if (mhz <= 100.0e3) return ExposureLimit{(people ? 1.0 : 5.0) * mw_per_cm2, averaging_s, edition};
        return std::nullopt;
    }
    constexpr std::string_view edition = "ICNIRP 2020, whole body";
    constexpr double averaging_s = 1800.0;
    if (mhz < 400.0) return ExposureLimit{people ? 2.0 : 10.0, averaging_s, edition};
    if (mhz < 2000.0) return ExposureLimit{mhz / (people ? 200.0 : 40.0), averaging_s, edition};
    if (mhz <= 300.0e3) return ExposureLimit{people ? 10.0 : 50.0, averaging_s, edition};
    return std::nullopt;
}

double dish_gain_dbi(const Dish& dish, double frequency_hz) noexcept {
    if (!usable(dish, frequency_hz)) return 0.0;
    const double turns = pi * dish.diameter_m * frequency_hz / light_m_per_s;
    return decibels(held_efficiency(dish) * turns * turns);
}

double dish_efficiency(double gain_dbi, double diameter_m, double frequency_hz) noexcept {
    if (!usable({diameter_m, 1.0}, frequency_hz)) return 1.0;
    const double turns = pi * diameter_m * frequency_hz / light_m_per_s;
    return std::clamp(ratio(gain_dbi) / (turns * turns), 0.0, 1.0);
}

double eirp_w(double power_w, double gain_dbi) noexcept {
    return bounded_positive(power_w * ratio(gain_dbi));
}

double far_field_w_per_m2(double power_w, double gain_dbi, double distance_m, double ground_factor) noexcept {
    const double sphere = 4.0 * pi * distance_m * distance_m;
    if (!(distance_m > 0.0) || !(sphere > 0.0)) return unbounded;
    return bounded_positive(eirp_w(power_w, gain_dbi) * held_ground(ground_factor) / sphere);
}

double far_field_distance_m(double power_w, double gain_dbi, double limit_w_per_m2, double ground_factor) noexcept {
    if (!(limit_w_per_m2 > 0.0)) return unbounded;
    const double eirp = eirp_w(power_w, gain_dbi) * held_ground(ground_factor);
    return bounded_positive(std::sqrt(eirp / (4.0 * pi * limit_w_per_m2)));
}

ApertureFields aperture_fields(double power_w, const Dish& dish, double frequency_hz) noexcept {
    if (!usable(dish, frequency_hz)) return {unbounded, unbounded, unbounded, unbounded};
    const double square = dish.diameter_m * dish.diameter_m;
    const double wavelength = light_m_per_s / frequency_hz;
    return {bounded_positive(4.0 * power_w / (pi * square / 4.0)),
            bounded_positive(16.0 * held_efficiency(dish) * power_w / (pi * square)),
            bounded_positive(square / (4.0 * wavelength)), bounded_positive(0.6 * square / wavelength)};
}

double aperture_w_per_m2(double power_w, const Dish& dish, double frequency_hz, double distance_m,
                         double ground_factor) noexcept {
    const ApertureFields fields = aperture_fields(power_w, dish, frequency_hz);
    if (!(distance_m >= 0.0) || !usable(dish, frequency_hz)) return unbounded;
    if (distance_m >= fields.far_begin_m) {
        return far_field_w_per_m2(power_w, dish_gain_dbi(dish, frequency_hz), distance_m, ground_factor);
    }
    const double near = fields.near_w_per_m2 * held_ground(ground_factor);
    return bounded_positive(distance_m > fields.near_end_m ? near * fields.near_end_m / distance_m : near);
}

Exposure assess_exposure(const ExposureInput& in) noexcept {
    Exposure out;
    const double loss = std::isnan(in.feeder_loss_db) ? 0.0 : std::max(0.0, in.feeder_loss_db);
    const double duty = std::isnan(in.duty) ? 1.0 : std::clamp(in.duty, 0.0, 1.0);
    const double peak = bounded_positive(in.power_w * ratio(std::max(0.0, in.uncertainty_db) - loss));
    out.antenna_power_w = peak * duty;
    out.gain_dbi =
        in.dish ? dish_gain_dbi(*in.dish, in.frequency_hz) : std::clamp(decibels(ratio(in.gain_dbi)), -200.0, 200.0);
    out.eirp_w = eirp_w(peak, out.gain_dbi);
    const bool told = in.limit_w_per_m2 > 0.0 && std::isfinite(in.power_w) && std::isfinite(in.limit_w_per_m2) &&
                      (!in.dish || usable(*in.dish, in.frequency_hz));
    if (!told) {
        out.distance_m = unbounded;
        out.zone = ExposureZone::far_field;
        return out;
    }
    if (in.dish) {
        const Reach reach = dish_reach(out.antenna_power_w, *in.dish, in.frequency_hz, in.limit_w_per_m2,
                                       held_ground(in.ground_factor));
        out.distance_m = reach.distance_m;
        out.zone = reach.zone;
        out.surface_exceeds =
            reach.zone == ExposureZone::none &&
            aperture_fields(out.antenna_power_w, *in.dish, in.frequency_hz).surface_w_per_m2 >= in.limit_w_per_m2;
        return out;
    }
    out.distance_m = far_field_distance_m(out.antenna_power_w, out.gain_dbi, in.limit_w_per_m2, in.ground_factor);
    out.zone = out.distance_m > 0.0 ? ExposureZone::far_field : ExposureZone::none;
    return out;
}

}  // namespace dekeyd::core
