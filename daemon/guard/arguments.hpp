// The command line of the daemon; its manual page is made from the same definition.
#pragma once

#include <fmt/format.h>

#include <CLI/CLI.hpp>
#include <dekeyd_version.hpp>
#include <string>

#include "base/exit_codes.hpp"

namespace dekeyd {

struct Arguments {
    std::string path = "/etc/dekeyd/dekeyd.yaml";
    bool check_only = false;
    bool debug = false;
};

/// `app` and `arguments` live together.
inline void define_arguments(CLI::App& app, Arguments& arguments) {
    app.name("dekeyd");
    app.description(
        "dekeyd removes an amplifier's permission to transmit when anything leaves its safe range. It is the last "
        "line,\nnever the only one: what must act in microseconds stays in hardware.");
    app.footer(fmt::format(
        "Examples:\n"
        "  dekeyd --check --config dekeyd.yaml\n"
        "  dekeyd --config /etc/dekeyd/dekeyd.yaml\n\n"
        "Exit codes:\n"
        "  0   stopped by a signal; with --check: the configuration is sound\n"
        "  {}  a fault of the program\n  {}  the system refused something\n  {}  no state or run directory\n"
        "  {}  stopped, but the storage didn't take the state: the next start is latched\n"
        "  {}  the configuration has faults, or another daemon has its folders\n\nThe line is inhibited at every exit.",
        exit_software, exit_system, exit_cannot_create, exit_not_saved, exit_configuration));
    app.add_option("--config", arguments.path, "The configuration")->type_name("FILE")->capture_default_str();
    app.add_flag("--check", arguments.check_only, "Say what the configuration does, or all its faults, and end");
    app.add_flag("--debug", arguments.debug, "Log more");
    app.set_version_flag("--version", std::string{"dekeyd "} + dekeyd_version);
}

}  // namespace dekeyd
