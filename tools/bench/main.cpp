// dekeyd-bench: the simulated amplifier as a program.
#include <fmt/format.h>

#include <CLI/CLI.hpp>
#include <csignal>
#include <cstdio>
#include <dekeyd_version.hpp>
#include <exception>
#include <iostream>
#include <string>

#include "bench/runner.hpp"

namespace {

volatile std::sig_atomic_t stop_asked = 0;

void on_signal(int /*signal*/) {
    stop_asked = 1;
}

int run_main(int argc, char** argv) {
    CLI::App app{
        "A simulated 120 W amplifier with its sensors. It shows the files that the kernel would, and loses its RF "
        "when\n"
        "the line's file says inhibit. It protects nothing and stands for no real amplifier."};
    app.footer(
        std::string(bench::command_help()) +
        "A scenario holds lines such as \"at 2 s: key on\"; # begins a comment; \"at 60 s: end\" ends the bench.");
    app.set_version_flag("--version", std::string{"dekeyd-bench "} + dekeyd_version);
    app.require_subcommand(1);

    bench::RunOptions options;
    std::string scenario_path;
    const auto common = [&](CLI::App& command) {
        command.add_option("--scenario", scenario_path, "File of timed commands");
        command.add_option("--seed", options.seed, "Of the noise")->capture_default_str();
        command.add_option("--thermal-speed", options.thermal_speed, "Heat moves so many times faster")
            ->check(CLI::Range(1.0, 1000.0))
            ->capture_default_str();
    };
    auto* const run = app.add_subcommand("run", "In real time, against files");
    run->add_option("--root", options.root, "Folder that stands for /sys; made if need be")->required();
    run->add_option("--line", options.line, "The inhibit line's file: first byte 1 permits, all else inhibits")
        ->required();
    run->add_option("--control", options.control, "Unix socket for commands");
    run->add_option("--report", options.report, "File that gets a line of JSON for each event");
    run->add_option("--for", options.for_s, "Seconds after which it ends; 0: never")->check(CLI::Range(0.0, 1e7));
    run->add_flag("--stdin", options.standard_input, "Commands from standard input too; ends when it closes");
    std::string station_name{options.station.name};
    run->add_option("--station", station_name, "The amplifier: " + bench::station_names())->capture_default_str();
    common(*run);

    double for_s = 60.0;
    double every_s = 1.0;
    auto* const simulate =
        app.add_subcommand("simulate", "As fast as it goes, with the line at permit: CSV of the truth");
    simulate->add_option("--for", for_s, "Seconds of the model's time")->check(CLI::Range(0.0, 1e7));
    simulate->add_option("--every", every_s, "Seconds between rows")->check(CLI::Range(0.0005, 1e6));
    common(*simulate);

    CLI11_PARSE(app, argc, argv);

    auto scenario = scenario_path.empty() ? bench::Scenario() : bench::Scenario::load(scenario_path);
    if (*simulate) {
        bench::simulate(options.seed, options.thermal_speed, for_s, every_s, std::move(scenario), std::cout);
        return 0;
    }
    struct sigaction action {};
    action.sa_handler = on_signal;
    for (const int signal : {SIGTERM, SIGINT, SIGHUP}) ::sigaction(signal, &action, nullptr);
    action.sa_handler = SIG_IGN;
    ::sigaction(SIGPIPE, &action, nullptr);
    options.station = bench::station_called(station_name);
    bench::run(options, std::move(scenario), [] { return stop_asked != 0; });
    return 0;
}

}  // namespace

int main(int argc, char** argv) {
    try {
        return run_main(argc, argv);
    } catch (const std::exception& error) {
        fmt::print(stderr, "dekeyd-bench: {}\n", error.what());
        return 1;
    }
}
