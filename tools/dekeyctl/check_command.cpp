#include <fmt/format.h>

#include <cstdio>
#include <fstream>
#include <nlohmann/json.hpp>
#include <sstream>

#include "configuration/configuration.hpp"
#include "dekeyctl/commands.hpp"
#include "dekeyctl/terminal.hpp"
#include "dekeyctl/text.hpp"

namespace dekeyd::ctl {
namespace {

using Json = nlohmann::json;

void print_check_json(const CheckOptions& options, const formats::Loaded& loaded) {
    Json faults = Json::array(), advice = Json::array(), summary = Json::array();
    for (const auto& fault : loaded.faults)
        faults.push_back({{"line", fault.line},
                          {"column", fault.column},
                          {"key", fault.key},
                          {"what", fault.what},
                          {"expected", fault.expected}});
    for (const auto& entry : loaded.advice)
        advice.push_back({{"line", entry.line}, {"key", entry.key}, {"what", entry.what}});
    if (loaded.configuration)
        for (auto& sentence : formats::summarise(*loaded.configuration)) summary.push_back(std::move(sentence));
    const Json all{{"file", options.file},
                   {"ok", loaded.faults.empty()},
                   {"faults", std::move(faults)},
                   {"advice", std::move(advice)},
                   {"summary", std::move(summary)}};
    fmt::print("{}\n", all.dump(2, ' ', false, Json::error_handler_t::replace));
}

}  // namespace

int run_check(const CheckOptions& options) {
    const formats::Loaded loaded = formats::load_configuration_file(options.file);
    const bool good = loaded.faults.empty() && loaded.configuration.has_value();
    if (options.json) {
        print_check_json(options, loaded);
        return good ? exit_done : exit_refused;
    }
    if (!good) {
        const bool utf8 = look_of(stderr).utf8;
        std::istringstream rows{formats::render(options.file, loaded)};
        // Each row apart, since the source line may hold anything but must keep its caret below it.
        for (std::string row; std::getline(rows, row);)
            fmt::print(stderr, "{}\n", utf8 ? printable(row) : to_ascii(printable(row)));
        fmt::print(stderr, "{}: {}; dekeyd would keep the line inhibited\n", options.file,
                   counted(loaded.faults.size(), "fault"));
        return exit_refused;
    }
    const Look look = look_of(stdout);
    const auto print = [&](const std::string& text) {
        std::string indent = "  ";
        for (const std::string& row : wrap(printable(text), look.width - 4)) {
            fmt::print("{}{}\n", indent, look.utf8 ? row : to_ascii(row));
            indent = "    ";
        }
    };
    const std::string title =
        fmt::format("{}: no faults. {} ({}):", options.file, loaded.configuration->name, loaded.configuration->id);
    fmt::print("{}\n", look.utf8 ? printable(title) : to_ascii(printable(title)));
    for (const std::string& sentence : formats::summarise(*loaded.configuration)) print(sentence);
    if (!loaded.advice.empty()) fmt::print("\n{} worth a second look:\n", counted(loaded.advice.size(), "thing"));
    for (const auto& entry : loaded.advice)
        print(
            fmt::format("{}{}: {}", entry.line > 0 ? fmt::format("line {}, ", entry.line) : "", entry.key, entry.what));
    return exit_done;
}

}  // namespace dekeyd::ctl
