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

/// The text with another `address` for the sensor `sensor`. The result was read again: it has no fault, and its tree
/// differs from the old one in that single value. Never throws for any content. `folder`: where the files that it names
/// are; empty: the working directory.
Edited with_address(std::string_view yaml, std::string_view sensor, std::string_view address,
                    const std::string& folder = {});

}  // namespace dekeyd::formats
