// The advice for a running amplifier as one sentence.
#pragma once

#include <string>

#include "core/plan.hpp"
#include "core/step.hpp"

namespace dekeyd::formats {

/// How far to back off so that every warning is kept; empty where that isn't known (no RF, no warning level).
std::string back_off_text(const core::Plan& plan, const core::Snapshot& snapshot);

}  // namespace dekeyd::formats
