#include <fmt/format.h>
#include <unistd.h>

#include <algorithm>
#include <chrono>
#include <cstdio>
#include <filesystem>
#include <fstream>
#include <nlohmann/json.hpp>
#include <optional>
#include <sstream>
#include <string>
#include <vector>

#include "base/connection.hpp"
#include "configuration/blank_value.hpp"
#include "configuration/configuration.hpp"
#include "dekeyctl/commands.hpp"
#include "dekeyctl/set_up/blanks.hpp"
#include "dekeyctl/set_up/here.hpp"
#include "dekeyctl/set_up/here_wire.hpp"
#include "dekeyctl/status.hpp"
#include "dekeyctl/terminal.hpp"
#include "dekeyctl/text.hpp"
#include "drivers/gpio.hpp"

namespace dekeyd::ctl {
namespace {

using Json = nlohmann::json;

// For its blanks alone: what can't be read here was already reported as a fault without a line.
std::string source_of(const std::string& file) {
    std::ifstream in{file, std::ios::binary};
    std::ostringstream text;
    text << in.rdbuf();
    return text.str();
}

void print_check_json(const CheckOptions& options, const formats::Loaded& loaded, const std::optional<Here>& here) {
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
    Json all{{"file", options.file},
             {"ok", loaded.faults.empty()},
             {"faults", std::move(faults)},
             {"advice", std::move(advice)},
             {"summary", std::move(summary)}};
    if (here) all["here"] = {{"amiss", here->amiss}, {"seen", here->seen}, {"unseen", here->unseen}};
    fmt::print("{}\n", all.dump(2, ' ', false, Json::error_handler_t::replace));
}

// A starting configuration's blanks, one line each and no carets. How many there are.
std::size_t print_to_do(const std::string& source) {
    const std::vector<Blank> blanks = blanks_of(source);
    if (!blanks.empty())
        say(stderr, fmt::format("Write a value for each {}, or remove what you don't have:", formats::blank_value));
    const Look look = look_of(stderr);
    for (const Blank& blank : blanks) {
        const std::string row = "  " + clip(printable(to_do(blank)), look.width > 2 ? look.width - 2 : 0);
        fmt::print(stderr, "{}\n", look.utf8 ? row : to_ascii(row));
    }
    return blanks.size();
}

bool is_blank_line(const std::string& source, std::size_t line) {
    const std::vector<Blank> blanks = blanks_of(source);
    return std::any_of(blanks.begin(), blanks.end(), [line](const Blank& blank) { return blank.line == line; });
}

// Whether a look may be taken: beside a guard that permits it would slow its readings, and one that counts as lost
// de-keys. Returns what stands in the way; empty: nothing.
std::string in_the_way(const formats::Configuration& configuration, bool& guard_runs) {
    const std::string socket = configuration.run_directory + "/control";
    std::error_code error;
    if (!std::filesystem::exists(socket, error)) return {};
    try {
        const Message message = read_message(ask(socket, R"({"ask":"status"})"));
        guard_runs = true;
        if (message.status && (message.status->memory.held_locally || message.status->memory.held_remotely)) return {};
        return "dekeyd runs here and isn't held: a second reader would slow its readings, and one that comes too late "
               "de-keys. 'dekeyctl hold' it first, or see what it reads itself: 'dekeyctl status --all'";
    } catch (const Unreachable& unreachable) {
        // Left by one that has ended; but one of another user may run.
        if (::access(socket.c_str(), W_OK) == 0) return {};
        return fmt::format("{}; use sudo, since a running dekeyd must not be read beside", unreachable.what());
    }
}

// Exit code.
int print_here(const Here& here) {
    say(stdout, "");
    say(stdout, "On this machine, which should be at rest: no RF, the exciter off, the amplifier cold:");
    for (const std::string& sentence : here.seen) say(stdout, "  good   " + sentence);
    for (const std::string& sentence : here.unseen) say(stdout, "  left   " + sentence);
    for (const std::string& sentence : here.amiss) say(stdout, "  AMISS  " + sentence);
    say(stdout, here.amiss.empty() ? std::string{"All that was looked at is there and reads sensibly."}
                                   : counted(here.amiss.size(), "thing") + " amiss.");
    return here.amiss.empty() ? exit_done : exit_refused;
}

}  // namespace

int run_check(const CheckOptions& options) {
    const formats::Loaded loaded = formats::load_configuration_file(options.file);
    const bool good = loaded.faults.empty() && loaded.configuration.has_value();
    std::optional<Here> here;
    if (good && options.here) {
        Machine machine{.gpio = [&] { return drivers::make_gpio(loaded.configuration->sysfs_root); },
                        .now = [] { return std::chrono::steady_clock::now(); }};
        machine.guards_group = guards_group();
        if (loaded.configuration->sysfs_root == "/sys") machine.drop_ins = drop_in_folders(options.file);
        if (const std::string why = in_the_way(*loaded.configuration, machine.guard_runs); !why.empty()) {
            say(stderr, "dekeyctl: " + why);
            return exit_refused;
        }
        here = look_here(*loaded.configuration, machine);
    }
    if (options.json) {
        print_check_json(options, loaded, here);
        return good && (!here || here->amiss.empty()) ? exit_done : exit_refused;
    }
    if (!good) {
        const std::string source = source_of(options.file);
        const std::size_t blanks = print_to_do(source);
        formats::Loaded rest = loaded;
        if (blanks > 0) {
            const auto then = formats::load_configuration(with_examples(source));
            const auto follows = [&](const formats::Fault& fault) {
                return std::none_of(then.faults.begin(), then.faults.end(),
                                    [&](const formats::Fault& one) { return one.key == fault.key; });
            };
            std::erase_if(rest.faults, [&](const formats::Fault& fault) {
                return fault.key.empty() || is_blank_line(source, fault.line) || follows(fault);
            });
        }
        const std::size_t others = rest.faults.size();
        const bool utf8 = look_of(stderr).utf8;
        std::istringstream rows{formats::render(options.file, rest)};
        // Each row apart, since the source line may hold anything but must keep its caret below it.
        for (std::string row; std::getline(rows, row);)
            fmt::print(stderr, "{}\n", utf8 ? printable(row) : to_ascii(printable(row)));
        const std::string left = blanks > 0 ? counted(blanks, "value") + " to write" : "";
        const std::string wrong = others > 0 || blanks == 0 ? counted(others, "fault") : "";
        fmt::print(stderr, "{}: {}{}{}; dekeyd would keep the line inhibited\n", options.file, left,
                   left.empty() || wrong.empty() ? "" : ", ", wrong);
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
    return here ? print_here(*here) : exit_done;
}

}  // namespace dekeyd::ctl
