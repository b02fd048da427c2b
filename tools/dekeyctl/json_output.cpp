#include "dekeyctl/json_output.hpp"

#include <fmt/format.h>

#include "words/json_number.hpp"

namespace dekeyd::ctl {

void print_json(const nlohmann::ordered_json& json) {
    // Names and paths may hold bytes that are no UTF-8.
    fmt::print("{}\n", json.dump(2, ' ', false, nlohmann::ordered_json::error_handler_t::replace));
}

nlohmann::ordered_json number_or_null(const std::optional<double>& value) {
    return value ? formats::json_number(*value) : nlohmann::ordered_json(nullptr);
}

}  // namespace dekeyd::ctl
