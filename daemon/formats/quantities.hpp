// Which quantities a configuration can ever know, for topics, screens and status.
#pragma once

#include "core/plan.hpp"

namespace dekeyd::formats {

using core::can_be_known;

}  // namespace dekeyd::formats
