// Which addresses a bus has, and what can be measured at each.
#pragma once

#include <optional>
#include <string_view>
#include <vector>

#include "configuration/configuration.hpp"
#include "plan/plan.hpp"
#include "words/units.hpp"

namespace dekeyd::formats {

/// The kernel's quantity at an address, before any conversion by dekeyd.
enum class Native { temperature, voltage, current, speed, power, contact };

/// Absent: no address of this driver. w1: 28-0123456789ab; iio: voltage0, voltage0-voltage1, current0, temp;
/// hwmon: in1, curr1, temp1, fan1, power1; contact: a line's name or offset.
std::optional<Native> native_at(BusDriver driver, std::string_view address);

/// Examples of the addresses that a driver has, for messages.
std::string_view address_form(BusDriver driver);

/// Kinds of channel that can be worked out from it; none from a supply's power.
std::vector<core::ChannelKind> kinds_from(Native native);

Dimension dimension_of(Native native);

/// A window that every healthy sample lies in, where the configuration gives none.
Range widest_window(BusDriver driver, Native native);

/// The words of the configuration for a kind.
std::string_view word(core::ChannelKind kind);

}  // namespace dekeyd::formats
