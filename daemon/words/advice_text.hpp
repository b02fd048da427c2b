// The advice for a running amplifier: how far to back off, whether the drive is right, whether the cooling is enough.
#pragma once

#include <string>

#include "core/protection.hpp"
#include "plan/plan.hpp"

namespace dekeyd::formats {

/// Sentences in a row; empty where nothing can be said.
std::string advice_text(const core::Plan& plan, const core::Snapshot& snapshot);

/// The configuration's plan can come to an advice.
bool may_advise(const core::Plan& plan) noexcept;

}  // namespace dekeyd::formats
