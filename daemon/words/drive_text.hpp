// Whether the drive is right for what is sent, as one sentence with one number.
#pragma once

#include <optional>
#include <string>

#include "core/protection.hpp"
#include "maths/drive.hpp"
#include "plan/plan.hpp"

namespace dekeyd::formats {

/// "Drive 1.4 dB too high for linear 8PSK: 3.1 dB below the 1 dB point, 4.5 dB advised." Numbers in steps of `step_db`.
/// Empty where what is sent asks for no linearity.
std::string drive_sentence(const core::DriveAnswer& answer, const core::EmissionPlan& emission, double step_db);

/// Of the running amplifier. None without RF, without a permit, or where what is sent asks for no linearity.
std::optional<core::DriveAnswer> drive_answer(const core::Plan& plan, const core::Snapshot& snapshot);

/// The same as a sentence, in steps of half a decibel, so that a level that wavers makes no new sentence each time.
/// Empty where there is none.
std::string drive_text(const core::Plan& plan, const core::Snapshot& snapshot);

}  // namespace dekeyd::formats
