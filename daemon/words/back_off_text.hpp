// The advice for a running amplifier as one sentence.
#pragma once

#include <string>

#include "core/protection.hpp"
#include "plan/plan.hpp"

namespace dekeyd::formats {

/// How far to back off so that forward power, compression and heat stay below what warns or trips, and which of them
/// that doesn't say anything of: no limit watches it, or it isn't known. Empty where no advice is known (no RF, no
/// level) or without a permit.
std::string back_off_text(const core::Plan& plan, const core::Snapshot& snapshot);

}  // namespace dekeyd::formats
