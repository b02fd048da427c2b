// The command line of the telemetry; its manual page is made from the same definition.
#pragma once

#include <CLI/CLI.hpp>
#include <dekeyd_version.hpp>
#include <string>

namespace dekeyd::telemetry {

struct Arguments {
    std::string path = "/etc/dekeyd/dekeyd.yaml";
    std::string state;
    bool debug = false;
};

/// `app` and `arguments` live together.
inline void define_arguments(CLI::App& app, Arguments& arguments) {
    app.name("dekeyd-telemetry");
    app.description(
        "dekeyd-telemetry publishes by MQTT what the guard, dekeyd, measures and decides, and passes an operator's "
        "commands on.\nThe guard doesn't need it: without this program the amplifier is guarded all the same.");
    app.footer(
        "Examples:\n"
        "  dekeyd-telemetry --config /etc/dekeyd/dekeyd.yaml\n\n"
        "Exit codes:\n"
        "  0   stopped by a signal, or no broker is configured\n"
        "  70  a fault of the program\n"
        "  73  no folder for its state\n"
        "  75  the configuration was changed and the guard has it already: start again\n"
        "  78  the configuration has faults, or another one of this program has its folder");
    app.add_option("--config", arguments.path, "The configuration, the guard's own")
        ->type_name("FILE")
        ->capture_default_str();
    app.add_option("--state", arguments.state,
                   "Where it keeps how far events were delivered. Default: $STATE_DIRECTORY, else the configuration's "
                   "state folder with '-telemetry' behind its name")
        ->type_name("FOLDER");
    app.add_flag("--debug", arguments.debug, "Log more");
    app.set_version_flag("--version", std::string{"dekeyd-telemetry "} + dekeyd_version);
}

}  // namespace dekeyd::telemetry
