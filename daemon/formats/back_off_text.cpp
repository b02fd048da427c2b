#include "formats/back_off_text.hpp"

#include <fmt/format.h>

#include <cmath>

#include "core/power.hpp"
#include "core/rf.hpp"

namespace dekeyd::formats {

std::string back_off_text(const core::Plan& plan, const core::Snapshot& snapshot) {
    // Worked out once a second: after a trip the last one would contradict it.
    if (snapshot.state != core::State::permitted) return {};
    const core::QuantityIndex index = plan.index(core::Derived::back_off);
    if (index >= snapshot.quantities.size()) return {};
    const core::Reading& back_off = snapshot.quantities[index];
    if (back_off.health != core::Health::good || !std::isfinite(back_off.value)) return {};
    constexpr double half_a_step = core::back_off_step_db / 2.0;
    if (back_off.value < half_a_step)
        return "No need to back off: power, compression and heat are below their warnings.";
    if (back_off.value > core::largest_back_off_db - half_a_step)
        return fmt::format(
            "Stop transmitting: backing off by {:.0f} dB would not bring power, compression and heat below their "
            "warnings.",
            core::largest_back_off_db);
    // In percent rather than watts: a forward power that wavers would make a new sentence each time.
    return fmt::format(
        "Back off by {:.1f} dB, to {:.0f} % of the power: power, compression and heat are then below their warnings.",
        back_off.value, 100.0 * core::watts_from_dbm(30.0 - back_off.value));
}

}  // namespace dekeyd::formats
