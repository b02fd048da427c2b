// A number for people: the same text in sentences, on the terminal, by MQTT and on the page (tests/agree/figures.json).
#pragma once

#include <string>
#include <string_view>

#include "plan/reading.hpp"

namespace dekeyd::formats {

/// A number in this unit with the digits that it deserves, no unit: "2.41", "66.2", "104", "0.031". Not finite:
/// "unknown"; beyond every bound: "unbounded". No locale.
std::string to_words(double value, core::Unit unit);
/// With its unit: "66.2 °C", "104 W", "31.4 mW", "20.0 µW"; a bare number where there is none.
std::string with_unit(double value, core::Unit unit);
/// The same by the unit's symbol, as it is in JSON; of an unknown one the digits of a bare number.
std::string with_unit(double value, std::string_view symbol);
/// A reading in words: "66.2 °C", "at most 50.0 mW", "at least 130 W", "not measurable", "unknown (bad CRC)".
std::string in_words(const core::Reading& reading, core::Unit unit);

}  // namespace dekeyd::formats
