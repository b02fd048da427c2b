// Units, in tables. A quantity's unit has one row: how many digits it is shown with, in which dimension its level is
// written, what change is published. A dimension has a row with its name, and a row for each spelling. The symbol alone
// stands with the enumeration (plan/reading.hpp): core names units, and never writes one.
#pragma once

#include <algorithm>
#include <array>
#include <cstddef>
#include <string_view>

#include "plan/enum_words.hpp"
#include "plan/reading.hpp"
#include "words/units.hpp"

namespace dekeyd::formats {

/// Digits after the point.
enum class Digits {
    none,
    one,
    two,
    ratio,    ///< 0.457, 2.41, 12.3
    watts,    ///< three significant ones; the unit becomes mW and µW below 1 W
    seconds,  ///< one below ten seconds
};
inline constexpr core::Words<Digits::seconds> digits_words{"none", "one", "two", "ratio", "watts", "seconds"};

struct UnitRow {
    core::Unit unit;
    Dimension dimension;  ///< a level of it is written so
    bool below_zero;      ///< that level may be zero or negative
    Digits digits;
    double least_change;    ///< a smaller change than both is not published
    double least_share;     ///< of the value
    std::string_view home;  ///< class of a home dashboard (telemetry/published/discovery.cpp); empty: none fits
};

inline constexpr std::array unit_rows{
    UnitRow{core::Unit::none, Dimension::number, true, Digits::ratio, 0.01, 0.01, ""},
    UnitRow{core::Unit::celsius, Dimension::temperature, true, Digits::one, 0.2, 0.0, "temperature"},
    UnitRow{core::Unit::watt, Dimension::power, false, Digits::watts, 0.01, 0.01, "power"},
    UnitRow{core::Unit::dbm, Dimension::level, true, Digits::one, 0.1, 0.0, "signal_strength"},
    UnitRow{core::Unit::decibel, Dimension::ratio_db, true, Digits::one, 0.1, 0.0,
            ""},  // theirs is a signal's strength
    UnitRow{core::Unit::volt, Dimension::voltage, false, Digits::two, 0.02, 0.002, "voltage"},
    UnitRow{core::Unit::ampere, Dimension::current, false, Digits::two, 0.02, 0.002, "current"},
    UnitRow{core::Unit::rpm, Dimension::speed, false, Digits::none, 10.0, 0.01, ""},
    UnitRow{core::Unit::percent, Dimension::percent, false, Digits::one, 0.5, 0.0, ""},
    UnitRow{core::Unit::kelvin_per_watt, Dimension::thermal_resistance, false, Digits::ratio, 0.01, 0.01, ""},
    UnitRow{core::Unit::kelvin_per_hour, Dimension::temperature_trend, false, Digits::one, 0.1, 0.0, ""},
    UnitRow{core::Unit::second, Dimension::time, false, Digits::seconds, 1.0, 0.02, "duration"},
};

constexpr const UnitRow& row_of(core::Unit unit) noexcept {
    return unit_rows[std::min(static_cast<std::size_t>(unit), unit_rows.size() - 1)];
}

static_assert(
    [] {
        if (unit_rows.size() != decltype(core::unit_symbols)::size) return false;
        for (std::size_t i = 0; i < unit_rows.size(); ++i)
            if (unit_rows[i].unit != static_cast<core::Unit>(i)) return false;
        return true;
    }(),
    "one row for each unit, in the enumeration's order");

struct DimensionRow {
    Dimension dimension;
    std::string_view name;
    std::string_view example;
};

inline constexpr std::array dimension_rows{
    DimensionRow{Dimension::number, "a plain number", "2.0"},
    DimensionRow{Dimension::temperature, "a temperature", "70 degC"},
    DimensionRow{Dimension::temperature_difference, "a temperature difference", "5 K"},
    DimensionRow{Dimension::power, "a power", "2.5 W, 50 mW or 34 dBm"},
    DimensionRow{Dimension::level, "a level in dBm", "-10 dBm"},
    DimensionRow{Dimension::ratio_db, "a ratio in dB", "40 dB"},
    DimensionRow{Dimension::voltage, "a voltage", "28 V or 800 mV"},
    DimensionRow{Dimension::current, "a current", "18 A"},
    DimensionRow{Dimension::time, "a time", "250 ms, 5 s or 10 min"},
    DimensionRow{Dimension::speed, "a speed", "3000 rpm"},
    DimensionRow{Dimension::percent, "a percentage", "10 %"},
    DimensionRow{Dimension::frequency, "a frequency", "1.26 GHz"},
    DimensionRow{Dimension::thermal_resistance, "a thermal resistance", "0.3 K/W"},
    DimensionRow{Dimension::temperature_trend, "a temperature's trend", "2 K/h"},
    DimensionRow{Dimension::volts_per_db, "a detector's slope", "-24.4 mV/dB"},
    DimensionRow{Dimension::volts_per_watt, "a detector's sensitivity", "500 mV/mW"},
    DimensionRow{Dimension::volts_per_ampere, "a current sensor's sensitivity", "66 mV/A"},
    DimensionRow{Dimension::volts_per_kelvin, "a temperature sensor's sensitivity", "10 mV/K"},
    DimensionRow{Dimension::db_per_kelvin, "a temperature coefficient", "0.02 dB/K"},
    DimensionRow{Dimension::length, "a length", "1.2 m"},
    DimensionRow{Dimension::antenna_gain, "an antenna's gain", "18 dBi"},
    DimensionRow{Dimension::power_density, "a power density", "10 W/m2"},
};

constexpr const DimensionRow& row_of(Dimension dimension) noexcept {
    return dimension_rows[std::min(static_cast<std::size_t>(dimension), dimension_rows.size() - 1)];
}

static_assert(
    [] {
        if (dimension_rows.size() != static_cast<std::size_t>(Dimension::power_density) + 1) return false;
        for (std::size_t i = 0; i < dimension_rows.size(); ++i)
            if (dimension_rows[i].dimension != static_cast<Dimension>(i)) return false;
        return true;
    }(),
    "one row for each dimension, in the enumeration's order");

struct Spelling {
    std::string_view text;
    Dimension dimension;
    double numerator;  ///< value in base units = number * numerator / denominator: one rounding, so 250 ms is 0.25 s
    double denominator;
};

inline constexpr double dbm_mark = 0.0;  ///< a numerator that is no factor: dBm as a power

// The first of a dimension is the one that messages propose.
inline constexpr std::array spellings{
    Spelling{"degC", Dimension::temperature, 1, 1},
    Spelling{"°C", Dimension::temperature, 1, 1},
    Spelling{"K", Dimension::temperature_difference, 1, 1},
    Spelling{"W", Dimension::power, 1, 1},
    Spelling{"mW", Dimension::power, 1, 1e3},
    Spelling{"uW", Dimension::power, 1, 1e6},
    Spelling{"µW", Dimension::power, 1, 1e6},
    Spelling{"kW", Dimension::power, 1e3, 1},
    Spelling{"dBm", Dimension::power, dbm_mark, 1},
    Spelling{"dBm", Dimension::level, 1, 1},
    Spelling{"dB", Dimension::ratio_db, 1, 1},
    Spelling{"V", Dimension::voltage, 1, 1},
    Spelling{"mV", Dimension::voltage, 1, 1e3},
    Spelling{"uV", Dimension::voltage, 1, 1e6},
    Spelling{"µV", Dimension::voltage, 1, 1e6},
    Spelling{"A", Dimension::current, 1, 1},
    Spelling{"mA", Dimension::current, 1, 1e3},
    Spelling{"s", Dimension::time, 1, 1},
    Spelling{"ms", Dimension::time, 1, 1e3},
    Spelling{"us", Dimension::time, 1, 1e6},
    Spelling{"µs", Dimension::time, 1, 1e6},
    Spelling{"min", Dimension::time, 60, 1},
    Spelling{"h", Dimension::time, 3600, 1},
    Spelling{"d", Dimension::time, 86400, 1},
    Spelling{"rpm", Dimension::speed, 1, 1},
    Spelling{"%", Dimension::percent, 1, 1},
    Spelling{"Hz", Dimension::frequency, 1, 1},
    Spelling{"kHz", Dimension::frequency, 1e3, 1},
    Spelling{"MHz", Dimension::frequency, 1e6, 1},
    Spelling{"GHz", Dimension::frequency, 1e9, 1},
    Spelling{"K/W", Dimension::thermal_resistance, 1, 1},
    Spelling{"K/h", Dimension::temperature_trend, 1, 1},
    Spelling{"mV/dB", Dimension::volts_per_db, 1, 1e3},
    Spelling{"V/dB", Dimension::volts_per_db, 1, 1},
    Spelling{"V/W", Dimension::volts_per_watt, 1, 1},
    Spelling{"mV/W", Dimension::volts_per_watt, 1, 1e3},
    Spelling{"mV/mW", Dimension::volts_per_watt, 1, 1},
    Spelling{"V/mW", Dimension::volts_per_watt, 1e3, 1},
    Spelling{"mV/uW", Dimension::volts_per_watt, 1e3, 1},
    Spelling{"mV/µW", Dimension::volts_per_watt, 1e3, 1},
    Spelling{"mV/A", Dimension::volts_per_ampere, 1, 1e3},
    Spelling{"V/A", Dimension::volts_per_ampere, 1, 1},
    Spelling{"mV/K", Dimension::volts_per_kelvin, 1, 1e3},
    Spelling{"V/K", Dimension::volts_per_kelvin, 1, 1},
    Spelling{"dB/K", Dimension::db_per_kelvin, 1, 1},
    Spelling{"m", Dimension::length, 1, 1},
    Spelling{"cm", Dimension::length, 1, 100},
    Spelling{"mm", Dimension::length, 1, 1000},
    Spelling{"dBi", Dimension::antenna_gain, 1, 1},
    Spelling{"W/m2", Dimension::power_density, 1, 1},
    Spelling{"W/m²", Dimension::power_density, 1, 1},
    Spelling{"mW/cm2", Dimension::power_density, 10, 1},
};

}  // namespace dekeyd::formats
