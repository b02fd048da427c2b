// dekeyd: the last-line interlock for a radio-frequency power amplifier.
#include <fmt/format.h>
#include <unistd.h>

#include <CLI/CLI.hpp>
#include <cstdio>
#include <cstdlib>
#include <exception>
#include <string>

#include "daemon/log.hpp"
#include "daemon/service.hpp"
#include "formats/configuration.hpp"
#include "formats/durable_file.hpp"

namespace {

constexpr std::size_t largest_configuration = 1024UL * 1024;

void print_faults(const std::string& path, const dekeyd::formats::Loaded& loaded) {
    const std::string text = dekeyd::formats::read_whole(path, largest_configuration).bytes;
    for (const auto& fault : loaded.faults) {
        fmt::print(stderr, "{}\n", dekeyd::formats::render(path, text, fault));
    }
    fmt::print(stderr, "{}: {} fault{}; expected none. See the annotated dekeyd.yaml.\n", path, loaded.faults.size(),
               loaded.faults.size() == 1 ? "" : "s");
}

int check(const dekeyd::formats::Loaded& loaded) {
    for (const std::string& sentence : dekeyd::formats::summarise(*loaded.configuration)) fmt::print("{}\n", sentence);
    for (const auto& advice : loaded.advice)
        fmt::print("advice: line {}: {}: {}\n", advice.line, advice.key, advice.what);
    return 0;
}

int run_main(int argc, char** argv) {
    CLI::App app{
        "dekeyd removes an amplifier's permission to transmit when anything leaves its safe range. It is the last "
        "line,\nnever the only one: what must act in microseconds stays in hardware."};
    app.footer(fmt::format(
        "Exit codes: 0 stopped by a signal, {} a fault of the program, {} the system refused "
        "something, {} no\nrun directory, {} the configuration has faults. The line is inhibited at "
        "every exit.",
        dekeyd::exit_software, dekeyd::exit_system, dekeyd::exit_cannot_create, dekeyd::exit_configuration));
    std::string path = "/etc/dekeyd/dekeyd.yaml";
    bool check_only = false;
    bool debug = false;
    app.add_option("--config", path, "The configuration")->capture_default_str();
    app.add_flag("--check", check_only, "Say what the configuration does, or all its faults, and end");
    app.add_flag("--debug", debug, "Log more");
    app.set_version_flag("--version", std::string{"dekeyd "} + dekeyd::program_version);
    CLI11_PARSE(app, argc, argv);

    dekeyd::set_up_log(debug);
    const dekeyd::formats::Loaded loaded = dekeyd::formats::load_configuration_file(path);
    if (loaded.configuration) return check_only ? check(loaded) : dekeyd::run_service(*loaded.configuration);

    // The line before the words: printing may wait for a terminal.
    const char* const run_directory = std::getenv("RUNTIME_DIRECTORY");
    if (!check_only) {
        dekeyd::inhibit_without_service(run_directory != nullptr ? run_directory : "/run/dekeyd", "/sys", nullptr);
    }
    print_faults(path, loaded);
    return dekeyd::exit_configuration;
}

}  // namespace

int main(int argc, char** argv) {
    int code = dekeyd::exit_software;
    try {
        code = run_main(argc, argv);
    } catch (const std::exception& error) {
        fmt::print(stderr, "dekeyd: {}\n", error.what());
    }
    std::fflush(nullptr);
    // No destructors: a thread that is stuck in the kernel may still use what they would take away.
    ::_exit(code);
}
