#include "words/json_number.hpp"

#include <fmt/format.h>

#include <cmath>
#include <cstdlib>

namespace dekeyd::formats {

nlohmann::ordered_json json_number(double value) {
    if (!std::isfinite(value)) return nullptr;
    return std::strtod(fmt::format("{:.7g}", value).c_str(), nullptr);
}

}  // namespace dekeyd::formats
