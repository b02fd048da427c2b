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
        "Topics:\n"
        "  homie/5/ID/$state          ready; lost: the guard doesn't answer; init; disconnected\n"
        "  homie/5/ID/$description    what there is, by the Homie 5 convention\n"
        "  homie/5/ID/$alert/...      what stands, as sentences\n"
        "  homie/5/ID/$log/...        what happens, as sentences; not retained\n"
        "  homie/5/ID/permit/...      permit, its state and reasons, holds\n"
        "  homie/5/ID/permit/+/set    commands: hold, and as configured release and reset\n"
        "  homie/5/ID/measurements/.. a number each; none where nothing is measured\n"
        "  homie/5/ID/quality/...     how far each may be believed\n"
        "  homie/5/ID/signal/...      is it clean? What a receiver elsewhere measured; may warn, never trips or "
        "permits\n"
        "  homie/5/ID/hazards/...     heat, reflected, drive, supply, sensors: true or false\n"
        "  homie/5/ID/limits/...      how each limit stands\n"
        "  homie/5/ID/levels/...      where each trips\n"
        "  homie/5/ID/recorder/...    the last trips and transmissions\n"
        "  homie/5/ID/service/...     the daemon itself; summary: all in one object; pulse: it is still true\n"
        "  homie/5/ID/recorder/fetch/set  a capture's name: it is sent in parts, to dekeyd/ID/capture\n"
        "  dekeyd/ID/event            each event once at least, as an object; not retained\n"
        "  dekeyd/ID/history/LEVEL/+  the past in pieces: hour by seconds, day by half minutes, month\n"
        "  PREFIX/device/ID/config    for home dashboards, with mqtt.discovery_prefix\n\n"
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
