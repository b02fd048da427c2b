// The version of the Homie description, which must rise whenever the description changes, across restarts.
#pragma once

#include <cstdint>
#include <string>
#include <string_view>

#include "base/wall_time.hpp"

namespace dekeyd {

/// Compares with what `<directory>/description` remembers: the same document keeps its version, another one gets the
/// next, which is written down. With nothing to remember it begins with the time in seconds, so that a lost file isn't
/// taken for an older document. Never throws for a file; one that can't be written costs a new version a start.
std::int64_t description_version(const std::string& directory, std::string_view document,
                                 const formats::WallStamp& now);

}  // namespace dekeyd
