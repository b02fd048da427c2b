// What stands in a starting configuration where a person has to write a value. It is refused wherever it stands, in a
// name too, so that none is overlooked.
#pragma once

#include <string_view>

namespace dekeyd::formats {

inline constexpr std::string_view blank_value = "FILL_IN";

}  // namespace dekeyd::formats
