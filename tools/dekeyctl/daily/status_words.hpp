// A status in words, as the commands print it and the watch screen shows it.
#pragma once

#include <cstddef>
#include <string>
#include <vector>

#include "dekeyctl/status.hpp"

namespace dekeyd::ctl {

/// The value with its unit; "≤" and "≥" where it is at an end of what can be measured; "--": none.
std::string value_words(const Quantity& quantity);

/// "nearest: heatsink, 28.7 °C to the trip"; empty when nothing is measured.
std::string nearest_words(const Status& status);

/// One cause in words: what it is, and what it still needs to leave.
/// In at most `room` columns: the name is cut first.
std::string cause_words(const Status& status, const Cause& cause, std::size_t room = static_cast<std::size_t>(-1));

/// The other values, those that no limit watches, as short "name value" texts.
std::vector<std::string> other_values(const Status& status);

/// The guard's, the broker's and the line's health in one line.
std::string health_words(const Status& status);
/// That latches and holds wait for the storage; empty: they don't.
std::string unsaved_words(const Status& status);
/// What the daemon kept of the past since its start, what waits for the storage, and what was lost. Empty: not told.
std::string kept_words(const Status& status);
/// Something of the past is lost, or can't be written.
bool kept_is_amiss(const Status& status) noexcept;

}  // namespace dekeyd::ctl
