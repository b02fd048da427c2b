#include <fmt/format.h>

#include <cstdio>

#include "dekeyctl/commands.hpp"
#include "dekeyctl/explain.hpp"
#include "dekeyctl/terminal.hpp"
#include "dekeyctl/text.hpp"
#include "formats/configuration.hpp"

namespace dekeyd::ctl {
namespace {

/// Faults are `check`'s to show; here their number and the way there.
std::optional<formats::Configuration> load(const std::string& file) {
    formats::Loaded loaded = formats::load_configuration_file(file);
    if (loaded.configuration) return std::move(loaded.configuration);
    fmt::print(stderr, "{}: {} fault{}; 'dekeyctl check {}' shows {}\n", printable(file), loaded.faults.size(),
               loaded.faults.size() == 1 ? "" : "s", printable(file), loaded.faults.size() == 1 ? "it" : "them");
    return std::nullopt;
}

void print(const std::vector<std::string>& rows) {
    const bool utf8 = look_of(stdout).utf8;
    for (const std::string& row : rows) {
        std::string shown = utf8 ? printable(row) : to_ascii(printable(row));
        while (!shown.empty() && shown.back() == ' ') shown.pop_back();
        fmt::print("{}\n", shown);
    }
}

}  // namespace

int run_explain(const std::string& file) {
    const auto configuration = load(file);
    if (!configuration) return exit_refused;
    print(explain(*configuration));
    return exit_done;
}

int run_plan(const std::string& file) {
    const auto configuration = load(file);
    if (!configuration) return exit_refused;
    if (!configuration->level_plan) {
        fmt::print(stderr,
                   "{}: no 'plan:' section; it says what is wanted and what the exciter gives:\n"
                   "  plan:\n    wanted_forward: 94 W\n    exciter: {{lowest: -20 dBm, highest: 10 dBm}}\n",
                   printable(file));
        return exit_refused;
    }
    print(plan_levels(*configuration));
    return exit_done;
}

}  // namespace dekeyd::ctl
