// How long a limit takes at worst, from the sensor to the line, by the configuration's own figures.
#pragma once

#include <algorithm>

#include "configuration/configuration.hpp"
#include "plan/plan.hpp"

namespace dekeyd::formats {

/// Each part at its worst; a bus that hangs ends in its sensors' allowed age instead.
struct WorstDelay {
    core::Duration wait{};        ///< until the slot is read again
    core::Duration conversion{};  ///< until its scan is handed over
    core::Duration gate{};        ///< until another bus has shown the gate open; only then does a look count
    core::Duration renewal{};     ///< until the quantity is worked out from it, where that isn't with each scan
    core::Duration averaging{};   ///< of a ratio, where the emission's envelope moves
    core::Duration qualify{};
    core::Duration guard{};  ///< until the guard has decided and written
    [[nodiscard]] core::Duration total() const noexcept {
        return wait + std::max(conversion, gate) + renewal + averaging + qualify + guard;
    }
};

/// Of the slowest channel that the limit's quantity is made of, after the slowest of its gate's.
WorstDelay worst_delay(const Configuration& configuration, const core::LimitPlan& limit);

}  // namespace dekeyd::formats
