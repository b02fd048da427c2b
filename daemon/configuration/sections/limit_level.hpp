// The quantity that a limit watches, and a level of it as it is written.
#pragma once

#include <optional>
#include <string_view>

#include "configuration/parts.hpp"
#include "plan/quantities.hpp"

namespace dekeyd::formats {

/// What a level of one quantity is written in, and what it may be.
struct Watched {
    core::QuantityIndex index = 0;
    core::Unit unit = core::Unit::none;
    bool unit_known = true;  ///< false: the sensor itself is at fault, so no level can be judged
};

/// The quantity that `key` names; none: the fault is reported.
std::optional<Watched> find_quantity(Section& section, std::string_view key, const Draft& draft);

/// By what the ranges of a limit's figures go.
std::string_view kind_of(const Watched& watched, const core::Plan& plan);

/// "+10 %" of the nominal supply, for limits on the supply; every other level in the unit of what is watched.
std::optional<double> read_level(Section& section, std::string_view key, Need need, const Watched& watched,
                                 const Draft& draft);

}  // namespace dekeyd::formats
