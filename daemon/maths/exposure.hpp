// Exposure near the antenna, by the published formulae (FCC OET Bulletin 65). An estimate, always shown with
// `exposure_caution`. Total: every result is finite; an unknown input is answered with the worst case.
#pragma once

#include <cstdint>
#include <optional>
#include <string_view>

#include "plan/enum_words.hpp"

namespace dekeyd::core {

/// Goes with every figure of this page, wherever it is shown.
inline constexpr std::string_view exposure_caution =
    "An estimate from a simple formula, for planning. It is no measurement and no permission: your country's rules and "
    "licensed practice decide. Never enter the beam of a keyed antenna.";

// ---- limits ------------------------------------------------------------------------------------------------------

enum class ExposureRule : std::uint8_t { fcc, icnirp_2020 };
enum class ExposureGroup : std::uint8_t { general_public, occupational };

struct ExposureLimit {
    double w_per_m2 = 0.0;
    double averaging_s = 0.0;
    std::string_view edition;
};
/// The power-density limit at a frequency; none outside 30 MHz to 100 GHz (FCC) or 300 GHz (ICNIRP), where field
/// strengths or other quantities apply.
std::optional<ExposureLimit> exposure_limit(ExposureRule rule, ExposureGroup group, double frequency_hz) noexcept;

/// Multiplies power density for a reflecting ground. 1: free space; 2.56: the field 1.6 times; 4: the field doubled.
inline constexpr double ground_none = 1.0;
inline constexpr double ground_usual = 2.56;
inline constexpr double ground_perfect = 4.0;

// ---- antennas ----------------------------------------------------------------------------------------------------

/// A dish: G = efficiency (pi D / lambda)^2.
struct Dish {
    double diameter_m = 0.0;
    double efficiency = 0.55;
};
double dish_gain_dbi(const Dish& dish, double frequency_hz) noexcept;
/// The efficiency that a stated gain means; in 0..1.
double dish_efficiency(double gain_dbi, double diameter_m, double frequency_hz) noexcept;

double eirp_w(double power_w, double gain_dbi) noexcept;

// ---- power density -----------------------------------------------------------------------------------------------

/// S = P G / (4 pi r^2), times the ground's factor. W/m^2; a distance that isn't above 0 gives `unbounded`.
double far_field_w_per_m2(double power_w, double gain_dbi, double distance_m, double ground_factor) noexcept;
/// The distance at which that is `limit_w_per_m2`; without a limit above 0: `unbounded`.
double far_field_distance_m(double power_w, double gain_dbi, double limit_w_per_m2, double ground_factor) noexcept;

/// On the axis of a dish, by OET 65: near field constant to D^2/4lambda, falling as 1/r to 0.6 D^2/lambda, as 1/r^2
/// beyond.
struct ApertureFields {
    double surface_w_per_m2 = 0.0;  ///< 4 P / A, at the dish itself
    double near_w_per_m2 = 0.0;     ///< 16 efficiency P / (pi D^2)
    double near_end_m = 0.0;
    double far_begin_m = 0.0;
};
ApertureFields aperture_fields(double power_w, const Dish& dish, double frequency_hz) noexcept;
double aperture_w_per_m2(double power_w, const Dish& dish, double frequency_hz, double distance_m,
                         double ground_factor) noexcept;

// ---- the question that is asked ----------------------------------------------------------------------------------

struct ExposureInput {
    double power_w = 0.0;         ///< forward at the amplifier: the trip level, the most that can be sent
    double uncertainty_db = 0.0;  ///< the reading's upper side, k = 2
    double feeder_loss_db = 0.0;
    double duty = 1.0;  ///< share of the averaging time that is sent, 0..1
    double frequency_hz = 0.0;
    double gain_dbi = 0.0;  ///< unused where there is a dish
    std::optional<Dish> dish;
    double ground_factor = ground_usual;
    double limit_w_per_m2 = 0.0;
};

enum class ExposureZone : std::uint8_t { none, near_field, transition, far_field };
inline constexpr Words<ExposureZone::far_field> exposure_zone_words{"none", "near field", "transition", "far field"};
inline std::string_view text(ExposureZone value) noexcept {
    return exposure_zone_words.of(value);
}

struct Exposure {
    double antenna_power_w = 0.0;  ///< mean, with uncertainty and duty in it
    double eirp_w = 0.0;           ///< peak of the same: without duty
    double gain_dbi = 0.0;
    double distance_m = 0.0;  ///< stay farther than this on the beam's axis; `unbounded` where it isn't known
    ExposureZone zone = ExposureZone::none;  ///< where that distance lies; none: the limit isn't reached in front
    bool surface_exceeds = false;  ///< a dish whose own surface is above the limit though the beam before it isn't
};
Exposure assess_exposure(const ExposureInput& input) noexcept;

}  // namespace dekeyd::core
