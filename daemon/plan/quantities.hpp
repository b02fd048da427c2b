// The quantities that are worked out from the measured ones: a row each, and in derived.cpp its formula. All that
// announces, shows, sends, logs, limits or explains a quantity reads its row; core::describe (plan.hpp) gives what a
// row has in common with a sensor's own quantity.
#pragma once

#include <array>
#include <cstdint>
#include <optional>
#include <string_view>

#include "plan/reading.hpp"
#include "plan/time.hpp"

namespace dekeyd::core {

/// The place of the row, and of the value behind the channels in Snapshot::quantities.
enum class Derived : std::uint8_t {
    vswr,                  ///< at the coupler; low/high from directivity
    reflection,            ///< |Gamma|
    return_loss,           ///< dB
    mismatch_loss,         ///< dB
    net_power,             ///< W, forward less reflected
    antenna_vswr,          ///< with the feeder's loss taken out
    antenna_power,         ///< W, accepted by the antenna
    gain,                  ///< dB, drive to forward
    compression,           ///< dB under the small-signal gain
    dc_power,              ///< W
    efficiency,            ///< percent
    heat,                  ///< W
    circulator_load,       ///< W, averaged over the load's thermal time
    thermal_resistance,    ///< K/W, heatsink to ambient
    settling_temperature,  ///< degC, where the heatsink will end
    time_to_limit,         ///< s, until the heatsink's trip level; `unbounded`: never
    forecast_temperature,  ///< degC at the end of the planned transmission
    back_off,              ///< dB of forward power to take away so that every warning is kept
    mean_forward,          ///< W, over the emission's window
    peak_forward,          ///< W, the largest of the window: peak envelope power
    ambient_trend,         ///< K/h, of the air
    count_,
};
inline constexpr std::size_t derived_count = static_cast<std::size_t>(Derived::count_);

/// What a quantity that is worked out needs; of the first seven the sensor with that role.
enum class Input : std::uint8_t {
    forward,
    reflected,
    drive,
    supply,
    current,
    heatsink,
    ambient,
    small_signal_gain,
    feeder_loss,
    circulator_load_time,
    level,          ///< some limit warns of forward power, compression or heat, or trips on it
    heatsink_trip,  ///< some limit trips on the heatsink's temperature
    count_,
};
inline constexpr std::size_t input_count = static_cast<std::size_t>(Input::count_);

/// When a formula is asked.
enum class Occasion : std::uint8_t {
    rf_scan,   ///< forward, reflected and forward again were read, and say something together
    dc_news,   ///< a reading of supply or current came
    forward,   ///< a reading of forward came
    forecast,  ///< about once a second, independent of the sensors
};
inline constexpr std::size_t occasion_count = static_cast<std::size_t>(Occasion::forecast) + 1;

/// Everything that is fixed about a quantity that is worked out.
struct DerivedRule {
    Derived derived;
    std::string_view id;
    std::string_view name;
    Unit unit;
    std::uint32_t needs;  ///< bits, by Input
    bool with_rf;         ///< not measurable below the minimum forward power
    bool may_trip;        ///< false: an estimate, or nothing that endangers: a limit on it may only warn
    Occasion occasion;
    bool of_match = false;          ///< a trip on it guards against a bad load
    bool hourly = false;            ///< changes slowly, and the log by the hour keeps it
    std::optional<double> least{};  ///< no value is below it

    [[nodiscard]] constexpr bool wants(Input input) const noexcept {
        return (needs >> static_cast<unsigned>(input) & 1U) != 0U;
    }
    /// Its interval rests on the coupler's directivity.
    [[nodiscard]] constexpr bool by_directivity() const noexcept {
        return wants(Input::forward) && wants(Input::reflected) && !wants(Input::drive);
    }
    /// At most so long after the readings that it rests on.
    [[nodiscard]] constexpr Duration renewed() const noexcept {
        return occasion == Occasion::forecast ? Duration{std::chrono::seconds{1}} : Duration::zero();
    }
};

constexpr std::uint32_t bit(Input input) noexcept {
    return std::uint32_t{1} << static_cast<unsigned>(input);
}
inline constexpr std::uint32_t both_ways = bit(Input::forward) | bit(Input::reflected);
inline constexpr std::uint32_t dc_inputs = bit(Input::supply) | bit(Input::current);
inline constexpr std::uint32_t thermal_inputs = dc_inputs | bit(Input::forward) | bit(Input::heatsink);

// Gain takes drive and forward from a scan in which RF stood before and after the reflected reading.
inline constexpr std::array<DerivedRule, derived_count> derived_rules{{
    // place, id, name, unit, needs, with RF, may trip, occasion, of the match, hourly, least value
    {Derived::vswr, "vswr", "VSWR", Unit::none, both_ways, true, true, Occasion::rf_scan, true, true, 1.0},
    {Derived::reflection, "reflection", "reflection coefficient", Unit::none, both_ways, true, true, Occasion::rf_scan,
     true},
    {Derived::return_loss, "return-loss", "return loss", Unit::decibel, both_ways, true, true, Occasion::rf_scan, true},
    {Derived::mismatch_loss, "mismatch-loss", "mismatch loss", Unit::decibel, both_ways, true, true, Occasion::rf_scan,
     true},
    {Derived::net_power, "net-power", "net power", Unit::watt, both_ways, true, true, Occasion::rf_scan},
    {Derived::antenna_vswr, "antenna-vswr", "VSWR at the antenna", Unit::none, both_ways | bit(Input::feeder_loss),
     true, true, Occasion::rf_scan, true, false, 1.0},
    {Derived::antenna_power, "antenna-power", "power at the antenna", Unit::watt, both_ways | bit(Input::feeder_loss),
     true, true, Occasion::rf_scan},
    {Derived::gain, "gain", "gain", Unit::decibel, both_ways | bit(Input::drive), true, true, Occasion::rf_scan, false,
     true},
    {Derived::compression, "compression", "gain compression", Unit::decibel,
     both_ways | bit(Input::drive) | bit(Input::small_signal_gain), true, false, Occasion::rf_scan, false, true},
    {Derived::dc_power, "dc-power", "DC power", Unit::watt, dc_inputs, false, true, Occasion::dc_news, false, true},
    {Derived::efficiency, "efficiency", "efficiency", Unit::percent, dc_inputs | bit(Input::forward), true, true,
     Occasion::dc_news, false, true},
    {Derived::heat, "heat", "heat", Unit::watt, dc_inputs | bit(Input::forward), false, true, Occasion::dc_news, false,
     true},
    {Derived::circulator_load, "circulator-load", "circulator load", Unit::watt,
     bit(Input::reflected) | bit(Input::circulator_load_time), false, true, Occasion::forecast},
    {Derived::thermal_resistance, "thermal-resistance", "thermal resistance", Unit::kelvin_per_watt, thermal_inputs,
     false, false, Occasion::forecast, false, true},
    {Derived::settling_temperature, "settling-temperature", "settling temperature", Unit::celsius, thermal_inputs,
     false, false, Occasion::forecast},
    {Derived::time_to_limit, "time-to-limit", "time to limit", Unit::second, thermal_inputs | bit(Input::heatsink_trip),
     false, false, Occasion::forecast},
    {Derived::forecast_temperature, "forecast-temperature", "forecast temperature", Unit::celsius, thermal_inputs,
     false, false, Occasion::forecast},
    {Derived::back_off, "back-off", "back-off advised", Unit::decibel, bit(Input::forward) | bit(Input::level), false,
     false, Occasion::forecast},
    {Derived::mean_forward, "mean-forward", "mean forward power", Unit::watt, bit(Input::forward), false, false,
     Occasion::forward},
    {Derived::peak_forward, "peak-forward", "peak envelope power", Unit::watt, bit(Input::forward), false, false,
     Occasion::forward},
    {Derived::ambient_trend, "ambient-trend", "ambient trend", Unit::kelvin_per_hour, bit(Input::ambient), false, false,
     Occasion::forecast},
}};

consteval bool in_order() noexcept {
    for (std::size_t i = 0; i < derived_rules.size(); ++i) {
        if (static_cast<std::size_t>(derived_rules[i].derived) != i) return false;
    }
    return true;
}
static_assert(in_order(), "a row for each Derived, in its order");

constexpr const DerivedRule& rule_of(Derived derived) noexcept {
    return derived_rules[static_cast<std::size_t>(derived)];
}

}  // namespace dekeyd::core
