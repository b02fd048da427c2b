// A line for each watched quantity: its value, a bar between its levels, and what is left.
#pragma once

#include <cstddef>
#include <vector>

#include "dekeyctl/lines.hpp"
#include "dekeyctl/status.hpp"

namespace dekeyd::ctl {

/// The bar of one quantity: `room` columns holding the value between its levels. Marks: T trip, w warn, c clear.
Line bar(const Quantity& quantity, const std::vector<const Limit*>& limits, std::size_t room);

/// One line for each quantity that a limit watches, in the order of the limits: name, value, bar, what is left.
std::vector<Line> limit_lines(const Status& status, const Look& look);

}  // namespace dekeyd::ctl
