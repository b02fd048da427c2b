// What `--json` prints: one object, indented, in the order in which it was made.
#pragma once

#include <nlohmann/json.hpp>
#include <optional>

namespace dekeyd::ctl {

void print_json(const nlohmann::ordered_json& json);

/// What isn't known is null.
nlohmann::ordered_json number_or_null(const std::optional<double>& value);

}  // namespace dekeyd::ctl
