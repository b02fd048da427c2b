#include "dekeyctl/look_back/cooling_history.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <vector>

#include "words/units.hpp"

namespace dekeyd::ctl {

namespace {

constexpr std::size_t fewest_hours = 3, most_hours = 24;

double median(std::span<const double> values) {
    std::vector<double> sorted(values.begin(), values.end());
    std::sort(sorted.begin(), sorted.end());
    const std::size_t middle = sorted.size() / 2;
    return sorted.size() % 2 == 1 ? sorted[middle] : (sorted[middle - 1] + sorted[middle]) / 2.0;
}

}  // namespace

std::optional<CoolingHistory> cooling_history(std::span<const double> hourly_k_per_w) {
    const std::size_t hours = std::min(hourly_k_per_w.size() / 2, most_hours);
    const auto usable = [](double value) { return std::isfinite(value) && value > 0.0; };
    if (hours < fewest_hours || !std::all_of(hourly_k_per_w.begin(), hourly_k_per_w.end(), usable)) return std::nullopt;
    return CoolingHistory{.first_k_per_w = median(hourly_k_per_w.first(hours)),
                          .last_k_per_w = median(hourly_k_per_w.last(hours)),
                          .hours = hours};
}

std::string sentence(const CoolingHistory& history) {
    const auto shown = [](double k_per_w) { return formats::show(k_per_w, core::Unit::kelvin_per_watt); };
    const std::string figures =
        fmt::format("{} to ambient in the last {} hours of RF, {} in the first {}", shown(history.last_k_per_w),
                    history.hours, shown(history.first_k_per_w), history.hours);
    const double change = history.change_percent();
    if (change >= notable_change_percent)
        return fmt::format(
            "Cooling: {:.0f} % worse than it was ({}); look at the fan, the dust in the fins, the thermal paste and "
            "where "
            "the ambient air comes from.",
            change, figures);
    if (change <= -notable_change_percent)
        return fmt::format("Cooling: {:.0f} % better than it was ({}).", -change, figures);
    return fmt::format("Cooling: as it was ({}).", figures);
}

}  // namespace dekeyd::ctl
