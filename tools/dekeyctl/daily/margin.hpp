// How far a quantity is from the nearest of its limits.
#pragma once

#include <optional>
#include <string_view>
#include <vector>

#include "dekeyctl/status.hpp"

namespace dekeyd::ctl {

/// What is left until the nearest of its trips, as an amount and as a share of the way from rest. Of a quantity that
/// only warns: until its warning.
struct Margin {
    const Limit* limit = nullptr;
    double amount = 0.0;  ///< negative: beyond
    double share = 0.0;
};

/// None without a value, or without a limit that watches now.
std::optional<Margin> margin_of(const Quantity& quantity, const std::vector<const Limit*>& limits);

/// The limits that watch this quantity, in the status's order.
std::vector<const Limit*> limits_of(const Status& status, std::string_view quantity);

/// It doesn't watch now, so its level says nothing.
bool is_idle(const Limit* limit);

/// What the limit compares with its trip: the reading, or an end of its interval. The quantity has a value.
double judged(const Quantity& quantity, const Limit& limit);

/// Where the quantity is at rest: 1 of a VSWR, else 0.
double rest_of(const Quantity& quantity);

}  // namespace dekeyd::ctl
