#include <fmt/format.h>

#include <algorithm>
#include <cstdio>

#include "configuration/configuration.hpp"
#include "dekeyctl/commands.hpp"
#include "dekeyctl/explain/explain.hpp"
#include "dekeyctl/json_output.hpp"
#include "dekeyctl/terminal.hpp"
#include "dekeyctl/text.hpp"

namespace dekeyd::ctl {
namespace {

std::size_t width() {
    return std::min<std::size_t>(look_of(stdout).width, 96);
}

void print(const std::vector<std::string>& rows) {
    for (std::string row : rows) {
        while (!row.empty() && row.back() == ' ') row.pop_back();
        say(stdout, row);
    }
}

}  // namespace

std::optional<formats::Configuration> load_or_say(const std::string& file) {
    formats::Loaded loaded = formats::load_configuration_file(file);
    if (loaded.configuration) return std::move(loaded.configuration);
    fmt::print(stderr, "{}: {} fault{}; 'dekeyctl check {}' shows {}\n", printable(file), loaded.faults.size(),
               loaded.faults.size() == 1 ? "" : "s", printable(file), loaded.faults.size() == 1 ? "it" : "them");
    return std::nullopt;
}

int run_explain(const PaperOptions& options) {
    const auto configuration = load_or_say(options.file);
    if (!configuration) return exit_refused;
    options.json ? print_json(explain_json(*configuration)) : print(explain(*configuration, width()));
    return exit_done;
}

int run_plan(const PaperOptions& options) {
    const auto configuration = load_or_say(options.file);
    if (!configuration) return exit_refused;
    if (!configuration->level_plan) {
        fmt::print(stderr,
                   "{}: no 'plan:' section; it says what is wanted and what the exciter gives:\n"
                   "  plan:\n    wanted_forward: 94 W\n    exciter: {{lowest: -20 dBm, highest: 10 dBm}}\n",
                   printable(options.file));
        return exit_refused;
    }
    options.json ? print_json(plan_json(*configuration)) : print(plan_levels(*configuration, width()));
    return exit_done;
}

}  // namespace dekeyd::ctl
