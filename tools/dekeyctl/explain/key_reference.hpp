// What a key of the configuration is, in words: for the manual, `dekeyctl keys` and the editors' schema.
#pragma once

#include <string>
#include <vector>

#include "configuration/checks/ranges.hpp"
#include "configuration/keys.hpp"

namespace dekeyd::ctl {

/// The key alone: "pads" of "sensors.*.pads".
std::string_view name_of_key(const formats::KeyRow& row);

/// Its paths, one where no part has alternatives.
std::vector<std::string> paths_of_key(const formats::KeyRow& row);

/// The rows of the ranges that its value is held to.
std::vector<const formats::RangeRow*> ranges_of_key(const formats::KeyRow& row);

/// "Required where …", "Optional".
std::string need_of_key(const formats::KeyRow& row);

/// "A time, 1 ms to 100 ms (accepted to 1 s)." or "One of: …".
std::string value_of_key(const formats::KeyRow& row);

/// "Default: 20 ms."; empty: there is none.
std::string default_of_key(const formats::KeyRow& row);

}  // namespace dekeyd::ctl
