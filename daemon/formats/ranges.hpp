// What each figure of the configuration may be: one table, a row for each key.
#pragma once

#include <cstdint>
#include <span>
#include <string_view>

#include "formats/units.hpp"

namespace dekeyd::formats {

/// What of a value is compared: the value itself, its size without the sign, or a whole number.
enum class Compared : std::uint8_t { value, size, whole };

/// `lowest` to `highest` are right for a station; from `least` to `most` a value is taken where `accept:` names the
/// key, or where the line is a file. In the dimension's base unit; both ends belong to the range.
struct RangeRow {
    std::string_view path;  ///< "sensors.*.allowed_age": '*' for a name that the user chose, items of a list unmarked
    std::string_view of;    ///< the kinds that the row is for, one blank between them; empty: all
    Dimension dimension;
    double lowest, highest;
    double least, most;
    std::string_view why;  ///< what is wrong beyond the ends; it follows a colon
    Compared compared = Compared::value;

    [[nodiscard]] bool can_be_accepted() const noexcept { return least < lowest || most > highest; }
};

std::span<const RangeRow> range_rows();

/// The row for a key: `path` as faults show it, `of` what the section is of. nullptr: none.
const RangeRow* range_for(std::string_view path, std::string_view of, Dimension dimension);

}  // namespace dekeyd::formats
