// Which quantities a configuration can ever know, for topics, screens and status.
#pragma once

#include "core/plan.hpp"

namespace dekeyd::formats {

/// Channels always; a derived one where everything that it is worked out from is measured. The others are unknown for
/// ever, and better not shown at all. `index` < plan.quantity_count().
bool can_be_known(const core::Plan& plan, core::QuantityIndex index) noexcept;

}  // namespace dekeyd::formats
