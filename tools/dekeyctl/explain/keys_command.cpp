#include <fmt/format.h>

#include <algorithm>
#include <cstdio>
#include <nlohmann/json.hpp>

#include "dekeyctl/commands.hpp"
#include "dekeyctl/explain/key_reference.hpp"
#include "dekeyctl/explain/key_schema.hpp"
#include "dekeyctl/terminal.hpp"
#include "dekeyctl/text.hpp"

namespace dekeyd::ctl {
namespace {

/// The rows whose path has the part anywhere.
std::vector<const formats::KeyRow*> rows_with(const std::string& part) {
    std::vector<const formats::KeyRow*> rows;
    for (const formats::KeyRow& row : formats::configuration_keys())
        if (row.path.find(part) != std::string_view::npos) rows.push_back(&row);
    return rows;
}

nlohmann::json as_json(const formats::KeyRow& row) {
    return {{"key", row.path},
            {"need", need_of_key(row)},
            {"value", value_of_key(row)},
            {"default", row.usual.empty() ? row.usual_words : row.usual},
            {"says", row.says}};
}

void print_row(const formats::KeyRow& row) {
    constexpr std::size_t room = 96;
    fmt::print("{}\n", row.path);
    const std::string usual = default_of_key(row);
    const std::string facts = fmt::format("{} {}. {}.{}", row.says, need_of_key(row), value_of_key(row),
                                          usual.empty() ? "" : ' ' + usual + '.');
    for (const std::string& line : wrap(facts, room)) fmt::print("    {}\n", line);
}

}  // namespace

int run_keys(const KeysOptions& options) {
    if (options.schema) {
        fmt::print("{}\n", configuration_schema().dump(1));
        return exit_done;
    }
    const auto rows = rows_with(options.part);
    if (rows.empty()) {
        say(stderr,
            fmt::format("dekeyctl: no key has '{}' in its path; 'dekeyctl keys' shows all", printable(options.part)));
        return exit_refused;
    }
    nlohmann::json all = nlohmann::json::array();
    for (const formats::KeyRow* const row : rows) {
        if (options.json)
            all.push_back(as_json(*row));
        else
            print_row(*row);
    }
    if (options.json) fmt::print("{}\n", all.dump(2));
    return exit_done;
}

}  // namespace dekeyd::ctl
