// `sheet`: prints the page, or puts it into a file.
#include <fmt/format.h>

#include <chrono>
#include <cstdio>
#include <dekeyd_version.hpp>
#include <filesystem>

#include "base/durable_file.hpp"
#include "base/wall_time.hpp"
#include "configuration/configuration.hpp"
#include "dekeyctl/commands.hpp"
#include "dekeyctl/explain/explain.hpp"
#include "dekeyctl/json_output.hpp"
#include "dekeyctl/sheet/sheet.hpp"
#include "dekeyctl/terminal.hpp"
#include "dekeyctl/text.hpp"

namespace dekeyd::ctl {

int run_sheet(const SheetOptions& options) {
    const auto configuration = load_or_say(options.file);
    if (!configuration) return exit_refused;
    const auto now = std::chrono::system_clock::now().time_since_epoch();
    const std::string page = sheet::station_sheet(
        *configuration,
        {.file = std::filesystem::path{options.file}.filename().string(),
         .date = formats::to_iso(std::chrono::duration_cast<std::chrono::nanoseconds>(now)).substr(0, 10),
         .version = dekeyd_version});
    if (options.output.empty()) {
        if (options.json)
            print_json({{"id", configuration->id}, {"file", options.file}, {"page", page}});
        else
            fmt::print("{}", page);
        return exit_done;
    }
    std::error_code error;
    if (std::filesystem::exists(options.output, error) && !options.overwrite) {
        say(stderr,
            fmt::format("dekeyctl: {} is there already; expected the name of a new file, or --overwrite to lose "
                        "what it holds",
                        options.output));
        return exit_refused;
    }
    if (std::filesystem::equivalent(options.output, options.file, error)) {
        say(stderr, fmt::format("dekeyctl: {} is the configuration itself; expected another file for the page",
                                options.output));
        return exit_refused;
    }
    if (const std::string trouble = formats::write_durably(options.output, page); !trouble.empty()) {
        say(stderr, "dekeyctl: " + trouble);
        return exit_refused;
    }
    if (options.json)
        print_json(
            {{"id", configuration->id}, {"file", options.file}, {"output", options.output}, {"bytes", page.size()}});
    else
        say(stdout, fmt::format("{}: the sheet of {}; open it in a browser, and print it", options.output,
                                configuration->name));
    return exit_done;
}

}  // namespace dekeyd::ctl
