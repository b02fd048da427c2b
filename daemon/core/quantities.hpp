// The quantities that are worked out from the measured ones: a row each, and in derived.cpp its formula. All that
// announces, shows, sends, logs, limits or explains a quantity reads its row; core::describe (plan.hpp) gives what a
// row has in common with a sensor's own quantity.
#pragma once

#include <array>
#include <cstdint>
#include <optional>
#include <string_view>

#include "core/reading.hpp"
#include "core/time.hpp"

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
    count_,
};
inline constexpr std::size_t derived_count = static_cast<std::size_t>(Derived::count_);

/// What a quantity that is worked out needs; of the first six the sensor with that role.
enum class Input : std::uint8_t {
    forward,
    reflected,
    drive,
    supply,
    current,
    heatsink,
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
    forecast,  ///< about once a second, whatever the sensors do
};

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
    {.derived = Derived::vswr,
     .id = "vswr",
     .name = "VSWR",
     .unit = Unit::none,
     .needs = both_ways,
     .with_rf = true,
     .may_trip = true,
     .occasion = Occasion::rf_scan,
     .of_match = true,
     .hourly = true,
     .least = 1.0},
    {.derived = Derived::reflection,
     .id = "reflection",
     .name = "reflection coefficient",
     .unit = Unit::none,
     .needs = both_ways,
     .with_rf = true,
     .may_trip = true,
     .occasion = Occasion::rf_scan,
     .of_match = true},
    {.derived = Derived::return_loss,
     .id = "return-loss",
     .name = "return loss",
     .unit = Unit::decibel,
     .needs = both_ways,
     .with_rf = true,
     .may_trip = true,
     .occasion = Occasion::rf_scan,
     .of_match = true},
    {.derived = Derived::mismatch_loss,
     .id = "mismatch-loss",
     .name = "mismatch loss",
     .unit = Unit::decibel,
     .needs = both_ways,
     .with_rf = true,
     .may_trip = true,
     .occasion = Occasion::rf_scan,
     .of_match = true},
    {.derived = Derived::net_power,
     .id = "net-power",
     .name = "net power",
     .unit = Unit::watt,
     .needs = both_ways,
     .with_rf = true,
     .may_trip = true,
     .occasion = Occasion::rf_scan},
    {.derived = Derived::antenna_vswr,
     .id = "antenna-vswr",
     .name = "VSWR at the antenna",
     .unit = Unit::none,
     .needs = both_ways | bit(Input::feeder_loss),
     .with_rf = true,
     .may_trip = true,
     .occasion = Occasion::rf_scan,
     .of_match = true,
     .least = 1.0},
    {.derived = Derived::antenna_power,
     .id = "antenna-power",
     .name = "power at the antenna",
     .unit = Unit::watt,
     .needs = both_ways | bit(Input::feeder_loss),
     .with_rf = true,
     .may_trip = true,
     .occasion = Occasion::rf_scan},
    {.derived = Derived::gain,
     .id = "gain",
     .name = "gain",
     .unit = Unit::decibel,
     .needs = both_ways | bit(Input::drive),
     .with_rf = true,
     .may_trip = true,
     .occasion = Occasion::rf_scan,
     .hourly = true},
    {.derived = Derived::compression,
     .id = "compression",
     .name = "gain compression",
     .unit = Unit::decibel,
     .needs = both_ways | bit(Input::drive) | bit(Input::small_signal_gain),
     .with_rf = true,
     .may_trip = false,
     .occasion = Occasion::rf_scan,
     .hourly = true},
    {.derived = Derived::dc_power,
     .id = "dc-power",
     .name = "DC power",
     .unit = Unit::watt,
     .needs = dc_inputs,
     .with_rf = false,
     .may_trip = true,
     .occasion = Occasion::dc_news,
     .hourly = true},
    {.derived = Derived::efficiency,
     .id = "efficiency",
     .name = "efficiency",
     .unit = Unit::percent,
     .needs = dc_inputs | bit(Input::forward),
     .with_rf = true,
     .may_trip = true,
     .occasion = Occasion::dc_news,
     .hourly = true},
    {.derived = Derived::heat,
     .id = "heat",
     .name = "heat",
     .unit = Unit::watt,
     .needs = dc_inputs | bit(Input::forward),
     .with_rf = false,
     .may_trip = true,
     .occasion = Occasion::dc_news,
     .hourly = true},
    {.derived = Derived::circulator_load,
     .id = "circulator-load",
     .name = "circulator load",
     .unit = Unit::watt,
     .needs = bit(Input::reflected) | bit(Input::circulator_load_time),
     .with_rf = false,
     .may_trip = true,
     .occasion = Occasion::forecast},
    {.derived = Derived::thermal_resistance,
     .id = "thermal-resistance",
     .name = "thermal resistance",
     .unit = Unit::kelvin_per_watt,
     .needs = thermal_inputs,
     .with_rf = false,
     .may_trip = false,
     .occasion = Occasion::forecast,
     .hourly = true},
    {.derived = Derived::settling_temperature,
     .id = "settling-temperature",
     .name = "settling temperature",
     .unit = Unit::celsius,
     .needs = thermal_inputs,
     .with_rf = false,
     .may_trip = false,
     .occasion = Occasion::forecast},
    {.derived = Derived::time_to_limit,
     .id = "time-to-limit",
     .name = "time to limit",
     .unit = Unit::second,
     .needs = thermal_inputs | bit(Input::heatsink_trip),
     .with_rf = false,
     .may_trip = false,
     .occasion = Occasion::forecast},
    {.derived = Derived::forecast_temperature,
     .id = "forecast-temperature",
     .name = "forecast temperature",
     .unit = Unit::celsius,
     .needs = thermal_inputs,
     .with_rf = false,
     .may_trip = false,
     .occasion = Occasion::forecast},
    {.derived = Derived::back_off,
     .id = "back-off",
     .name = "back-off advised",
     .unit = Unit::decibel,
     .needs = bit(Input::forward) | bit(Input::level),
     .with_rf = false,
     .may_trip = false,
     .occasion = Occasion::forecast},
}};

consteval bool in_order() noexcept {
    for (std::size_t i = 0; i < derived_rules.size(); ++i) {
        if (static_cast<std::size_t>(derived_rules[i].derived) != i) return false;
    }
    return true;
}
static_assert(in_order(), "a row for each Derived, in its order");

constexpr const DerivedRule& rule_of(Derived derived) noexcept {
    return derived_rules[static_cast<std::size_t>(derived) < derived_count ? static_cast<std::size_t>(derived) : 0];
}

}  // namespace dekeyd::core
