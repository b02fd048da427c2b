// Changing one value of a configuration's text, with every other byte kept: comments, order, blanks.
#pragma once

#include <string>
#include <string_view>

namespace dekeyd::formats {

/// Exactly one of the two is set.
struct Edited {
    std::string text;
    std::string trouble;  ///< why nothing was changed: what, where, how to mend it
};

/// The text with another value for the sensor's `key` (address, calibration), which is there. The result was read
/// again: it has no fault, and its tree differs from the old one in that single value. `folder`: where the files are
/// that the text names. Never throws for any content.
Edited with_sensor_value(std::string_view yaml, const std::string& folder, std::string_view sensor,
                         std::string_view key, std::string_view value);

/// The same in the file itself, durably and with its owner and mode kept, while it still holds the text `seen`. Empty,
/// or why the file is as it was.
std::string set_sensor_value(const std::string& file, std::string_view seen, std::string_view sensor,
                             std::string_view key, std::string_view value);

}  // namespace dekeyd::formats
