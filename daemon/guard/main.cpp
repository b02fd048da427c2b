// dekeyd: the last-line interlock for a radio-frequency power amplifier.
#include <fmt/format.h>
#include <unistd.h>

#include <CLI/CLI.hpp>
#include <cstdio>
#include <cstdlib>
#include <exception>
#include <string>

#include "base/exit_codes.hpp"
#include "base/log.hpp"
#include "base/process_setup.hpp"
#include "configuration/configuration.hpp"
#include "drivers/standard_descriptors.hpp"
#include "guard/arguments.hpp"
#include "guard/run_folder.hpp"
#include "guard/service.hpp"

namespace {

constexpr dekeyd::core::Duration log_within = std::chrono::milliseconds{100};

int check(const dekeyd::formats::Loaded& loaded) {
    for (const std::string& sentence : dekeyd::formats::summarise(*loaded.configuration)) fmt::print("{}\n", sentence);
    for (const auto& advice : loaded.advice)
        fmt::print("advice: line {}: {}: {}\n", advice.line, advice.key, advice.what);
    return 0;
}

int run_main(int argc, char** argv) {
    CLI::App app;
    dekeyd::Arguments arguments;
    dekeyd::define_arguments(app, arguments);
    CLI11_PARSE(app, argc, argv);

    dekeyd::set_up_log(arguments.debug);
    using dekeyd::formats::Reads;
    const dekeyd::formats::Loaded loaded = dekeyd::formats::load_configuration_file(
        arguments.path, arguments.check_only ? Reads::all : Reads::the_guards_part);
    if (loaded.configuration && arguments.check_only) return check(loaded);
    if (loaded.configuration) {
        for (const auto& fault : loaded.faults)
            spdlog::error("{}:{}: {}: {}; expected {} (the amplifier is guarded all the same; nothing is published)",
                          arguments.path, fault.line, fault.key, fault.what, fault.expected);
        return dekeyd::run_service(*loaded.configuration);
    }

    // The line before the words: printing may wait for a terminal.
    const char* const run_directory = std::getenv("RUNTIME_DIRECTORY");
    if (!arguments.check_only) {
        dekeyd::inhibit_without_service(run_directory != nullptr ? run_directory : "/run/dekeyd", "/sys", nullptr);
    }
    dekeyd::flush_log(log_within);
    fmt::print(stderr, "{}{}: {} fault{}; expected none. See the annotated dekeyd.yaml.\n",
               dekeyd::formats::render(arguments.path, loaded), arguments.path, loaded.faults.size(),
               loaded.faults.size() == 1 ? "" : "s");
    return dekeyd::exit_configuration;
}

}  // namespace

int main(int argc, char** argv) {
    dekeyd::drivers::open_standard_descriptors();
    dekeyd::use_one_heap();
    int code = dekeyd::exit_software;
    try {
        code = run_main(argc, argv);
    } catch (const std::exception& error) {
        fmt::print(stderr, "dekeyd: {}\n", error.what());
    }
    dekeyd::flush_log(log_within);
    std::fflush(nullptr);
    // No destructors: a thread that is stuck in the kernel may still use what they would take away.
    ::_exit(code);
}
