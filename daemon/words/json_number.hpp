// Numbers in the JSON that people and dashboards read.
#pragma once

#include <nlohmann/json.hpp>

namespace dekeyd::formats {

/// Rounded to seven significant digits, which is finer than anything here is measured, so that 28 V and ten per cent
/// more read 30.8 and not 30.800000000000004. What is no finite number is null.
nlohmann::ordered_json json_number(double value);

}  // namespace dekeyd::formats
