#include <fmt/format.h>

#include <chrono>
#include <cstdio>
#include <filesystem>
#include <fstream>
#include <nlohmann/json.hpp>

#include "base/connection.hpp"
#include "dekeyctl/commands.hpp"
#include "dekeyctl/json_output.hpp"
#include "dekeyctl/look_back/history_commands.hpp"
#include "dekeyctl/text.hpp"

namespace dekeyd::ctl {

using namespace std::chrono_literals;

int run_record(const RecordOptions& options) {
    Connection connection{options.socket};  // first: a daemon that isn't there costs no older recording
    std::error_code error;
    if (!options.overwrite && std::filesystem::is_regular_file(options.file, error)) {
        fmt::print(stderr,
                   "dekeyctl: {} is there already; expected the name of a new file, or --overwrite to lose what it "
                   "holds\n",
                   printable(options.file));
        return exit_refused;
    }
    std::ofstream out{options.file, std::ios::binary | std::ios::trunc};
    if (!out) {
        fmt::print(stderr, "dekeyctl: can't create {}; expected a folder that this user may write\n", options.file);
        return exit_refused;
    }
    connection.send(nlohmann::json{{"ask", "record"}, {"seconds", options.seconds}}.dump());
    for (;;) {
        const auto line = connection.receive(30s);
        if (!line) throw Unreachable(fmt::format("{}: no news for 30 s; is dekeyd hung?", options.socket));
        const auto message = nlohmann::json::parse(*line, nullptr, false);
        if (message.is_object() && message.contains("recording") && message["recording"].is_string()) {
            out << message["recording"].get_ref<const std::string&>();
            if (!out.flush()) {
                fmt::print(stderr, "dekeyctl: can't write {}; expected room on that file system\n", options.file);
                return exit_refused;
            }
            if (message.value("done", false)) break;
            continue;
        }
        const bool known = message.is_object() && message.contains("error") && message["error"].is_string();
        fmt::print(
            stderr, "dekeyctl: {}\n",
            known ? printable(message["error"].get_ref<const std::string&>()) : "dekeyd's answer was not understood");
        return known ? exit_refused : exit_nonsense;
    }
    if (options.json) {
        print_json(
            {{"file", options.file}, {"seconds", options.seconds}, {"bytes", static_cast<std::int64_t>(out.tellp())}});
        return exit_done;
    }
    fmt::print("{}: {:.0f} s recorded; 'dekeyctl replay {}' decides them again\n", options.file, options.seconds,
               options.file);
    return exit_done;
}

}  // namespace dekeyd::ctl
