#include "dekeyctl/daily/margin.hpp"

#include <algorithm>
#include <cmath>

namespace dekeyd::ctl {

double rest_of(const Quantity& quantity) {
    return quantity.id.ends_with("vswr") ? 1.0 : 0.0;
}

bool is_idle(const Limit* limit) {
    return limit->rests && !limit->active;
}

double judged(const Quantity& quantity, const Limit& limit) {
    const std::optional<double> end = limit.edge == "high"  ? quantity.high
                                      : limit.edge == "low" ? quantity.low
                                                            : quantity.value;
    return end.value_or(*quantity.value);
}

std::optional<Margin> margin_of(const Quantity& quantity, const std::vector<const Limit*>& limits) {
    if (!quantity.value) return std::nullopt;
    std::optional<Margin> least;
    const double origin = rest_of(quantity);
    const bool any_trips =
        std::any_of(limits.begin(), limits.end(), [](const Limit* limit) { return limit->trips && !is_idle(limit); });
    for (const Limit* limit : limits) {
        if (is_idle(limit) || (any_trips && !limit->trips)) continue;
        const double value = judged(quantity, *limit);
        const double amount = limit->above ? limit->trip - value : value - limit->trip;
        // Between two trips the middle is the farthest that a value can be from both.
        double way = std::abs(limit->trip - origin);
        for (const Limit* other : limits)
            if (!is_idle(other) && other->trips == limit->trips && other->above != limit->above)
                way = std::abs(limit->trip - other->trip) / 2.0;
        const Margin margin{limit, amount, way > 0.0 ? amount / way : amount};
        if (!least || margin.share < least->share) least = margin;
    }
    return least;
}

std::vector<const Limit*> limits_of(const Status& status, std::string_view quantity) {
    std::vector<const Limit*> found;
    for (const Limit& limit : status.limits)
        if (limit.watch == quantity) found.push_back(&limit);
    return found;
}

}  // namespace dekeyd::ctl
