// Quantities as people write them, "70 degC" or "34 dBm", to numbers in base units, and back into words.
#pragma once

#include <string>
#include <string_view>
#include <vector>

#include "plan/reading.hpp"
#include "plan/time.hpp"

namespace dekeyd::formats {

/// In any locale.
constexpr bool is_digit(char c) noexcept {
    return c >= '0' && c <= '9';
}

/// What a value must be a quantity of. The comment is the unit of the number that comes out.
enum class Dimension {
    number,                  ///< no unit at all
    temperature,             ///< degC
    temperature_difference,  ///< K
    power,                   ///< W; dBm is accepted too
    level,                   ///< dBm
    ratio_db,                ///< dB
    voltage,                 ///< V
    current,                 ///< A
    time,                    ///< s
    speed,                   ///< rpm
    percent,                 ///< %
    frequency,               ///< Hz
    thermal_resistance,      ///< K/W
    temperature_trend,       ///< K/h
    volts_per_db,            ///< V/dB
    volts_per_watt,          ///< V/W
    volts_per_ampere,        ///< V/A
    volts_per_kelvin,        ///< V/K
    db_per_kelvin,           ///< dB/K
    length,                  ///< m
    antenna_gain,            ///< dBi
    power_density,           ///< W/m2
};

/// A number, or what is wrong with its text and how to mend it.
struct Quantity {
    double value = 0.0;  ///< finite, in the dimension's base unit; 0 where the text is refused
    std::string what;    ///< empty: the text is good
    std::string expected;
    [[nodiscard]] bool good() const noexcept { return what.empty(); }
};

/// Decimal digits with an optional sign and point, a blank, a unit: nothing else. No locale. Never throws for content
/// (only for want of memory).
Quantity parse_quantity(std::string_view text, Dimension dimension);

struct Range {
    double low = 0.0;
    double high = 0.0;  ///< above low
    std::string what;
    std::string expected;
    [[nodiscard]] bool good() const noexcept { return what.empty(); }
};

/// "0.35 V .. 2.2 V": both ends with their unit.
Range parse_range(std::string_view text, Dimension dimension);

/// A unit in which a quantity may be written.
struct WrittenUnit {
    std::string_view text;
    double factor;  ///< base units of one; 0: dBm, in the place of watts
};
/// Of a dimension, the one that messages propose first; of a plain number none.
std::vector<WrittenUnit> units_of(Dimension dimension);

/// Seconds, within +-1e9, to nanoseconds.
core::Duration to_duration(double seconds) noexcept;

/// "a temperature", and a well-written one: "70 degC".
std::string_view name_of(Dimension dimension) noexcept;
std::string_view example_of(Dimension dimension) noexcept;

/// The dimension in which a level of a quantity with this unit is written.
Dimension dimension_of(core::Unit unit) noexcept;

/// For people: "70 °C", "120 W", "50 mW", "2" (at most four digits).
std::string show(double value, core::Unit unit);
std::string show(double value, Dimension dimension);
/// "20 ms", "1.5 s", "10 min".
std::string show(core::Duration duration);

}  // namespace dekeyd::formats
