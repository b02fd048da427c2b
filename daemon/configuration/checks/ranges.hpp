// What each figure of the configuration may be: of each key's row the ends, and of a limit's levels those of what it
// watches.
#pragma once

#include <span>
#include <string_view>

#include "configuration/keys.hpp"

namespace dekeyd::formats {

/// A Between with what it is for.
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
