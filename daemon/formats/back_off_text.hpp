// The advice for a running amplifier as one sentence.
#pragma once

#include <string>

#include "core/plan.hpp"
#include "core/step.hpp"

namespace dekeyd::formats {

/// How far to back off so that power, compression and heat keep their warnings (no other is asked); empty where that
/// isn't known (no RF, no warning level) or no permit.
std::string back_off_text(const core::Plan& plan, const core::Snapshot& snapshot);

}  // namespace dekeyd::formats
