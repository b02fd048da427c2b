// dekeyd-telemetry: publishes by MQTT what the guard measures and decides. It has no line, and no say in it.
#include <fmt/format.h>
#include <signal.h>
#include <unistd.h>

#include <CLI/CLI.hpp>
#include <atomic>
#include <cstdio>
#include <cstdlib>
#include <dekeyd_version.hpp>
#include <exception>
#include <filesystem>
#include <string>
#include <utility>

#include "base/durable_file.hpp"
#include "base/exit_codes.hpp"
#include "base/folder_lock.hpp"
#include "base/handover.hpp"
#include "base/log.hpp"
#include "base/process_setup.hpp"
#include "base/service_manager.hpp"
#include "base/wall_clock.hpp"
#include "configuration/configuration.hpp"
#include "telemetry/arguments.hpp"
#include "telemetry/delivered_place.hpp"
#include "telemetry/guard_link.hpp"
#include "telemetry/guard_view.hpp"
#include "telemetry/telemetry.hpp"

namespace {

using namespace dekeyd;
using namespace std::chrono_literals;

constexpr std::size_t largest_configuration = 1024UL * 1024;
constexpr core::Duration look_every = 250ms;
constexpr core::Duration log_within = 100ms, telemetry_within = 3s, end_within = 4s;
constexpr core::Duration read_anew_after = 2s;

std::atomic<bool> stop_asked{false};
Wake* signalled = nullptr;

void on_stop(int /*signal*/) {
    stop_asked.store(true);
    if (signalled != nullptr) signalled->ring();
}

void set_up_signals(Wake& wake) {
    signalled = &wake;
    struct sigaction action {};
    action.sa_handler = on_stop;
    for (const int signal : {SIGTERM, SIGINT, SIGHUP}) ::sigaction(signal, &action, nullptr);
    action.sa_handler = SIG_IGN;
    for (const int signal : {SIGPIPE, SIGUSR1, SIGUSR2}) ::sigaction(signal, &action, nullptr);
}

int refuse(const std::string& path, const formats::Loaded& loaded) {
    flush_log(log_within);
    fmt::print(stderr, "{}", formats::render(path, loaded));
    return exit_configuration;
}

std::string state_folder(const telemetry::Arguments& arguments, const formats::Configuration& configuration) {
    if (!arguments.state.empty()) return arguments.state;
    const char* const given = std::getenv("STATE_DIRECTORY");
    return given != nullptr && *given != '\0' ? given : configuration.state_directory + "-telemetry";
}

/// Whether the file is another text than this program has read, and one that the guard runs with.
bool is_to_be_read_anew(const std::string& path, const std::string& read, const std::string& guards_sum) {
    const formats::FileBytes file = formats::read_whole(path, largest_configuration);
    return file.ok() && file.bytes != read && formats::configuration_sum(file.bytes) == guards_sum;
}

/// Until a signal, or until the guard has a newer configuration. What it returns is the exit code.
int publish(const std::string& path, const formats::Configuration& configuration, const std::string& folder) {
    // Never destroyed: a thread that is stuck in the client may use them until the process ends.
    auto& wake = *new Wake;
    auto& guard = *new GuardView{configuration.plan};
    auto& place = *new DeliveredPlace{folder};
    auto& link = *new GuardLink{configuration, dekeyd_version, guard};
    auto& broker = *new Telemetry{configuration, guard, place, folder};
    set_up_signals(wake);
    ServiceManager manager;
    place.start();
    link.start();
    broker.start();
    bool told = false;
    bool let_go = false;  // what only the start has needed

    std::uint64_t link_turns = 0, broker_turns = 0, found = 0;
    core::Instant next_pet{}, other_since = core::Instant::max();
    int code = 0;
    while (!stop_asked.load()) {
        const core::Instant now = monotonic_now();
        const GuardLink::Match match = link.match();
        manager.status(fmt::format("Guard: {}; broker: {}.",
                                   match == GuardLink::Match::yes       ? "connected"
                                   : match == GuardLink::Match::unknown ? "not found"
                                                                        : "of another version or configuration",
                                   broker.connected() ? "connected" : "not connected"));
        told = told || manager.ready();
        if (!let_go && broker.connected()) {
            let_go = true;
            let_go_of_the_start();
        }
        // A hung thread of either kind: the service manager starts all anew.
        if (now >= next_pet && link.turns() != link_turns && broker.turns() != broker_turns) {
            link_turns = link.turns();
            broker_turns = broker.turns();
            next_pet = now + manager.watchdog().value_or(4s) / 4;
            if (manager.watchdog()) manager.pet();
        }
        if (match != GuardLink::Match::other_configuration) {
            other_since = core::Instant::max();
        } else if (other_since == core::Instant::max()) {
            other_since = now;
        }
        // A guard that was started anew, or that stays another's: what it has read may be new here.
        const bool other = now - other_since > read_anew_after && now >= other_since;
        if ((std::exchange(found, link.found()) != link.found() || other) &&
            is_to_be_read_anew(path, configuration.text, link.guards_configuration())) {
            spdlog::info("the configuration was changed, and the guard has it already: to be read anew");
            code = exit_read_anew;
            break;
        }
        wake.wait(now + look_every);
    }

    const core::Instant began = monotonic_now();
    manager.stopping();
    if (!broker.stop(began + telemetry_within)) spdlog::warn("the broker didn't take the goodbye in time");
    link.stop(began + end_within);
    if (!place.stop(began + end_within))
        spdlog::warn("the storage didn't take the place in time: events may come again");
    return code;
}

int run_main(int argc, char** argv) {
    CLI::App app;
    telemetry::Arguments arguments;
    telemetry::define_arguments(app, arguments);
    CLI11_PARSE(app, argc, argv);
    use_one_heap();
    set_up_log(arguments.debug);
    forbid_core_dumps();  // the broker's password would be in it

    auto& loaded = *new formats::Loaded{formats::load_configuration_file(arguments.path)};
    if (!loaded.configuration) return refuse(arguments.path, loaded);
    if (!loaded.configuration->mqtt) {
        spdlog::info("no broker is configured (mqtt: in {}): nothing to publish", arguments.path);
        return 0;
    }
    const std::string folder = state_folder(arguments, *loaded.configuration);
    std::error_code error;
    std::filesystem::create_directories(folder, error);
    auto& lock = *new FolderLock;
    if (const auto taken = lock.lock(folder); taken != FolderLock::Taken::yes) {
        spdlog::critical("not started: {}; expected a folder of its own for each (--state)", lock.trouble());
        return taken == FolderLock::Taken::by_another ? exit_configuration : exit_cannot_create;
    }
    lock.tell_who();
    return publish(arguments.path, *loaded.configuration, folder);
}

}  // namespace

int main(int argc, char** argv) {
    int code = exit_software;
    try {
        code = run_main(argc, argv);
    } catch (const std::exception& error) {
        fmt::print(stderr, "dekeyd-telemetry: {}\n", error.what());
    }
    flush_log(log_within);
    std::fflush(nullptr);
    // No destructors: a thread that is stuck may still use what they would take away.
    ::_exit(code);
}
