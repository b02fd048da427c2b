// A fan that slows, fins that fill with dust, paste that ages: the heatsink's thermal resistance against its own
// history.
#pragma once

#include <cstddef>
#include <optional>
#include <span>
#include <string>

namespace dekeyd::ctl {

struct CoolingHistory {
    double first_k_per_w = 0.0, last_k_per_w = 0.0;  ///< medians
    std::size_t hours = 0;                           ///< that each is the median of
    /// Above 0: the cooling has become worse.
    [[nodiscard]] double change_percent() const noexcept { return 100.0 * (last_k_per_w / first_k_per_w - 1.0); }
};

/// Of hourly means in K/W, oldest first: up to a day of them at either end. Empty where there are fewer than three for
/// each, or where they are none.
std::optional<CoolingHistory> cooling_history(std::span<const double> hourly_k_per_w);

/// From so much on, either way, something has changed: less is the load's and the ambient's doing. Common practice.
inline constexpr double notable_change_percent = 15.0;

std::string sentence(const CoolingHistory& history);

}  // namespace dekeyd::ctl
