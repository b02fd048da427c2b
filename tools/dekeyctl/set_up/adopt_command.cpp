// adopt: one value of the configuration, and the daemon started again with it, held.
#include <fmt/format.h>
#include <spawn.h>
#include <sys/wait.h>
#include <unistd.h>

#include <array>
#include <chrono>
#include <climits>
#include <cstdio>
#include <cstdlib>
#include <filesystem>
#include <iostream>
#include <nlohmann/json.hpp>
#include <optional>
#include <string>
#include <system_error>
#include <thread>

#include "base/connection.hpp"
#include "base/durable_file.hpp"
#include "configuration/configuration.hpp"
#include "configuration/edit.hpp"
#include "configuration/yaml_tree.hpp"
#include "dekeyctl/commands.hpp"
#include "dekeyctl/set_up/adopt.hpp"
#include "dekeyctl/status.hpp"
#include "dekeyctl/terminal.hpp"
#include "dekeyctl/text.hpp"
#include "drivers/find.hpp"
#include "drivers/sensor.hpp"
#include "plan/reading.hpp"

namespace dekeyd::ctl {
namespace {

using namespace std::chrono_literals;
using Json = nlohmann::json;

constexpr const char* unit_restart = "systemctl restart dekeyd";
constexpr auto until_it_reads = 60s;

int fail(ExitCode code, const std::string& text) {
    say(stderr, "dekeyctl: " + text);
    return code;
}

// Twice: a thermometer that has just got its supply may give its power-on value the first time.
std::vector<OnWire> read_wire(const std::string& sysfs) {
    std::vector<OnWire> all;
    for (const drivers::FoundW1& found : drivers::find_w1(sysfs)) {
        if (!found.temperature) continue;
        const auto sensor = drivers::make_w1_sensor(sysfs, found.id);
        core::Sample sample;
        for (int attempt = 0; attempt < 2; ++attempt) {
            sensor->refresh();
            sample = sensor->read();
        }
        OnWire one;
        one.address = found.id;
        if (sample.fault == core::Fault::none) one.value = sample.value;
        one.fault = core::text(sample.fault);
        all.push_back(std::move(one));
    }
    return all;
}

std::optional<Status> status_now(const std::string& socket) {
    try {
        return read_message(ask(socket, R"({"ask":"status"})")).status;
    } catch (const Unreachable&) {
        return std::nullopt;
    }
}

// Empty when the daemon holds now; otherwise why not.
std::string hold(const std::string& socket, const std::string& sensor) {
    try {
        const Json request{{"ask", "hold"}, {"reason", "adopting a sensor for " + sensor}};
        const Message message = read_message(ask(socket, request.dump()));
        return message.ok.value_or(false) ? "" : "it refused to hold: " + message.error + message.text;
    } catch (const Unreachable& error) {
        return error.what();
    }
}

int run_shell(const std::string& command) {
    std::array<std::string, 3> words{"sh", "-c", command};
    std::array<char*, 4> arguments{words[0].data(), words[1].data(), words[2].data(), nullptr};
    pid_t child = 0;
    if (::posix_spawn(&child, "/bin/sh", nullptr, nullptr, arguments.data(), environ) != 0) return -1;
    int result = 0;
    while (::waitpid(child, &result, 0) < 0)
        if (errno != EINTR) return -1;
    return WIFEXITED(result) ? WEXITSTATUS(result) : -1;
}

// What starts the daemon again; empty: only the operator knows.
std::string restart_command(const AdoptOptions& options) {
    if (options.no_restart) return {};
    if (!options.restart_command.empty()) return options.restart_command;
    const bool unit = std::filesystem::exists("/run/systemd/system") &&
                      run_shell("systemctl is-active --quiet dekeyd 2>/dev/null") == 0;
    return unit ? unit_restart : "";
}

bool agreed(const AdoptOptions& options) {
    if (options.yes) return true;
    if (::isatty(STDIN_FILENO) == 0) return false;
    fmt::print("Adopt it? [y/N] ");
    std::fflush(stdout);
    std::string answer;
    std::getline(std::cin, answer);
    return answer == "y" || answer == "Y" || answer == "yes";
}

std::optional<double> value_of(const Status& status, const std::string& id) {
    for (const Quantity& quantity : status.quantities)
        if (quantity.id == id) return quantity.value;
    return std::nullopt;
}

// The daemon that answers with a reading of the sensor is the new one: the old one has none.
std::optional<double> await_reading(const std::string& socket, const std::string& sensor) {
    const auto until = std::chrono::steady_clock::now() + until_it_reads;
    while (std::chrono::steady_clock::now() < until) {
        if (const auto status = status_now(socket))
            if (const auto value = value_of(*status, sensor)) return value;
        std::this_thread::sleep_for(200ms);
    }
    return std::nullopt;
}

}  // namespace

int run_adopt(const AdoptOptions& options) {
    const formats::FileBytes source = formats::read_whole(options.file, formats::largest_text);
    if (!source.ok()) return fail(exit_refused, formats::file_trouble("can't read", options.file, source.error));
    const formats::Loaded loaded =
        formats::load_configuration(source.bytes, std::filesystem::path{options.file}.parent_path().string());
    if (!loaded.configuration || !loaded.faults.empty())
        return fail(exit_refused,
                    fmt::format("{} has faults; 'dekeyctl check {}' shows them", options.file, options.file));
    const formats::Configuration& configuration = *loaded.configuration;
    const std::string socket = options.socket.empty() ? configuration.run_directory + "/control" : options.socket;
    const auto tell = [&](const std::string& text) { say(options.json ? stderr : stdout, text); };

    const std::vector<OnWire> on_wire = read_wire(configuration.sysfs_root);
    const Adoption adoption = find_adoption(configuration, options.what, options.address, on_wire);
    if (!adoption.refusal.empty()) return fail(exit_refused, adoption.refusal);
    tell(fmt::format("{} ({})", adoption.name, adoption.sensor));
    tell(fmt::format("  missing: {}   {}", adoption.old_address, adoption.old_words));
    tell(fmt::format("  new:     {}   {}", adoption.new_address, with_unit(adoption.new_value, "°C")));
    tell(fmt::format("Changes that one value in {}, and starts dekeyd again, held until 'dekeyctl release'.",
                     options.file));
    if (!agreed(options)) return fail(exit_refused, "nothing was changed; expected 'y' to the question, or --yes");

    // Held before anything changes, so that nothing started anew can permit by itself.
    const std::string not_held = hold(socket, adoption.sensor);
    if (const std::string trouble =
            formats::set_sensor_value(options.file, source.bytes, adoption.sensor, "address", adoption.new_address);
        !trouble.empty())
        return fail(exit_refused,
                    trouble + (not_held.empty() ? " (dekeyd is held: 'dekeyctl release' ends that)" : ""));
    tell(fmt::format("{}: {} is {} now", options.file, adoption.sensor, adoption.new_address));

    Json result{{"sensor", adoption.sensor}, {"old", adoption.old_address}, {"new", adoption.new_address},
                {"file", options.file},      {"held", not_held.empty()},    {"restarted", false},
                {"value", nullptr}};
    const auto end = [&](ExitCode code) {
        if (options.json) fmt::print("{}\n", result.dump(2, ' ', false, Json::error_handler_t::replace));
        return code;
    };
    if (!not_held.empty()) {
        tell(
            fmt::format("dekeyd was not reached ({}), so it is neither held nor started again: start it yourself. It "
                        "starts inhibited, and permits by itself only where the configuration says so.",
                        not_held));
        return end(exit_unreachable);
    }
    const std::string command = restart_command(options);
    if (command.empty()) {
        tell(
            "dekeyd is held, and reads the old file still: restart it, look at its readings, then 'dekeyctl release'.");
        return end(exit_done);
    }
    tell(command);
    if (const int code = run_shell(command); code != 0) {
        tell(fmt::format("'{}' failed with {}: restart dekeyd yourself; the hold stands", command, code));
        return end(exit_unreachable);
    }
    result["restarted"] = true;
    tell("waiting for dekeyd and its first readings");
    const auto value = await_reading(socket, adoption.sensor);
    if (!value) {
        tell(fmt::format("no reading of {} within {} s: see 'dekeyctl status --all' and dekeyd's log; the hold stands",
                         adoption.sensor, std::chrono::seconds{until_it_reads}.count()));
        return end(exit_unreachable);
    }
    result["value"] = *value;
    tell(fmt::format("dekeyd reads {} at {}. It is held: compare, then 'dekeyctl release'.", with_unit(*value, "°C"),
                     adoption.sensor));
    return end(exit_done);
}

}  // namespace dekeyd::ctl
