// Prints one manual page, or the completion: `manual dekeyd.8`, `manual dekeyd-telemetry.8`, `manual dekeyctl.1`,
// `manual dekeyd.yaml.5 FILE`, `manual completion`; or the configuration's schema for editors: `manual
// dekeyd.schema.json`.
#include <cstdio>
#include <fstream>
#include <sstream>
#include <string>
#include <string_view>

#include "dekeyctl/command_line.hpp"
#include "dekeyctl/explain/key_schema.hpp"
#include "guard/arguments.hpp"
#include "manual/pages.hpp"
#include "telemetry/arguments.hpp"

namespace {

using namespace dekeyd;

constexpr manual::Page daemon_page{.name = "dekeyd",
                                   .section = '8',
                                   .what = "last-line interlock for a radio-frequency power amplifier",
                                   .files =
                                       "/etc/dekeyd/dekeyd.yaml\tThe configuration.\n"
                                       "/run/dekeyd/control\tThe control socket, for the group dekeyd.\n"
                                       "/var/lib/dekeyd\tLatches, holds, events, logs and captures of trips.",
                                   .see = ".BR dekeyctl (1),\n.BR dekeyd-telemetry (8),\n.BR dekeyd.yaml (5)"};
constexpr manual::Page telemetry_page{.name = "dekeyd-telemetry",
                                      .section = '8',
                                      .what = "publishes by MQTT what the interlock dekeyd guards",
                                      .files =
                                          "/etc/dekeyd/dekeyd.yaml\tThe configuration, the guard's own.\n"
                                          "/run/dekeyd/control\tThe guard's control socket.\n"
                                          "/var/lib/dekeyd-telemetry\tHow far events were delivered.",
                                      .see = ".BR dekeyd (8),\n.BR dekeyd.yaml (5)"};
constexpr manual::Page command_page{
    .name = "dekeyctl",
    .section = '1',
    .what = "shows and commands the interlock dekeyd",
    .files =
        "/run/dekeyd/control\tThe control socket: one line of JSON for each request and answer.\n"
        "/run/dekeyd/observe\tThe same for the group dekeyd-alarm: one may look there, and order nothing.\n"
        "/etc/dekeyd/alarm/NAME\tWhat the unit dekeyd-alarm@NAME gives each event to.",
    .see = ".BR dekeyd (8),\n.BR dekeyd.yaml (5)"};
constexpr manual::Page configuration_page{.name = "dekeyd.yaml",
                                          .section = '5',
                                          .what = "configuration of the interlock dekeyd",
                                          .files = "/etc/dekeyd/dekeyd.yaml\tThe configuration.",
                                          .see = ".BR dekeyctl (1),\n.BR dekeyd (8)"};

std::string made(std::string_view what, const char* file) {
    if (what == "dekeyd.8") {
        CLI::App app;
        Arguments arguments;
        define_arguments(app, arguments);
        return manual::program_page(daemon_page, app, dekeyd_version);
    }
    if (what == "dekeyd-telemetry.8") {
        CLI::App app;
        telemetry::Arguments arguments;
        telemetry::define_arguments(app, arguments);
        return manual::program_page(telemetry_page, app, dekeyd_version);
    }
    const ctl::CommandLine command_line;
    if (what == "dekeyctl.1") return manual::program_page(command_page, command_line.app(), dekeyd_version);
    if (what == "completion") return manual::completion(command_line.app());
    if (what == "dekeyd.schema.json") return ctl::configuration_schema().dump(1) + '\n';
    if (what != "dekeyd.yaml.5" || file == nullptr) return {};
    std::ostringstream yaml;
    yaml << std::ifstream{file}.rdbuf();
    return yaml.str().empty() ? std::string{}
                              : manual::configuration_page(configuration_page, yaml.str(), dekeyd_version);
}

}  // namespace

int main(int argc, char** argv) {
    const std::string text = argc > 1 ? made(argv[1], argc > 2 ? argv[2] : nullptr) : "";
    if (text.empty()) {
        std::fputs(
            "manual: expected dekeyd.8, dekeyd-telemetry.8, dekeyctl.1, dekeyd.yaml.5 FILE, completion or "
            "dekeyd.schema.json\n",
            stderr);
        return 2;
    }
    return std::fwrite(text.data(), 1, text.size(), stdout) == text.size() && std::fflush(stdout) == 0 ? 0 : 1;
}
