// dekeyctl: the operator's command.
#include <fmt/format.h>

#include <CLI/CLI.hpp>
#include <cstdio>
#include <exception>
#include <functional>
#include <string>

#include "dekeyctl/client.hpp"
#include "dekeyctl/commands.hpp"
#include "dekeyctl/history_commands.hpp"

namespace {

using namespace dekeyd::ctl;

constexpr const char* closing = R"(Examples:
  dekeyctl status                        may it transmit, and if not, why?
  dekeyctl watch                         live view: each value beside its limits
  dekeyctl hold --reason "on the mast"   take the permit away until 'dekeyctl release'
  dekeyctl reset                         after a latched trip, once its cause is gone
  dekeyctl find                          what is there to be measured and driven
  dekeyctl adopt heatsink                a new thermometer in the place of a missing one
  dekeyctl check /etc/dekeyd/dekeyd.yaml every fault of a configuration, or what it guards
  dekeyctl explain dekeyd.yaml           how far each number may be believed, and why

Exit codes:
  0  done; for status: permitted         3  for status: inhibited
  1  refused, or faults were found       4  dekeyd can't be reached
  2  wrong arguments                     5  dekeyd's answer was not understood

dekeyd is the last line of protection, never the only one. Working on an amplifier, its
feeder or its antenna: isolate it and lock it off; a hold is no substitute.)";

int run(int argc, char** argv) {
    CLI::App app{"Shows and commands dekeyd, the last-line interlock of a radio-frequency power amplifier.",
                 "dekeyctl"};
    app.footer(closing);
    app.require_subcommand(1);
    app.fallthrough();
    std::string run_directory = "/run/dekeyd";
    std::string socket;
    app.add_option("--run", run_directory, "dekeyd's run directory")->capture_default_str();
    app.add_option("--socket", socket, "the control socket itself; default: 'control' in the run directory");

    std::function<int()> chosen;
    const auto path = [&] { return socket.empty() ? run_directory + "/control" : socket; };

    StatusOptions status;
    auto* status_command = app.add_subcommand("status", "One line: permit or inhibit, and why");
    status_command->add_flag("--json", status.json, "the daemon's whole answer, as JSON");
    status_command->add_flag("-a,--all", status.all, "causes, values beside their limits and sensors' faults too");
    status_command->footer("Example:\n  dekeyctl status --run /tmp/demo/run || echo 'not permitted'");
    status_command->callback([&] {
        status.socket = path();
        chosen = [&] { return run_status(status); };
    });

    OrderOptions order;
    const auto add_order = [&](const char* name, const char* what, const char* example) {
        auto* command = app.add_subcommand(name, what);
        command->add_flag("--json", order.json, "the daemon's answer, as JSON");
        command->footer(std::string{"Example:\n  "} + example);
        command->callback([&, name] {
            order.socket = path();
            order.order = name;
            chosen = [&] { return run_order(order); };
        });
        return command;
    };
    add_order("hold", "Takes the permit away and keeps it away; a restart doesn't end it",
              "dekeyctl hold --reason 'replacing the feeder'")
        ->add_option("-r,--reason", order.reason, "why, for the journal");
    add_order("release", "Ends a hold; permits only when nothing else stands", "dekeyctl release");
    add_order("reset", "Ends latches and the lockout whose causes are gone; otherwise says what still stands",
              "dekeyctl reset && dekeyctl status");

    CheckOptions check;
    auto* check_command = app.add_subcommand("check", "All faults of a configuration file, or what it would guard");
    check_command->add_option("file", check.file, "the configuration")->required();
    check_command->add_flag("--json", check.json, "faults, advice and summary as JSON");
    check_command->footer("Example:\n  dekeyctl check config/dekeyd.yaml");
    check_command->callback([&] { chosen = [&] { return run_check(check); }; });

    std::string explained;
    const auto add_paper = [&](const char* name, const char* what, const char* example,
                               int (*run)(const std::string&)) {
        auto* command = app.add_subcommand(name, what);
        command->add_option("file", explained, "the configuration")->required();
        command->footer(std::string{"Example:\n  "} + example);
        command->callback([&, run] { chosen = [&, run] { return run(explained); }; });
    };
    add_paper("explain", "From volts to watts with every term: how far each number may be believed",
              "dekeyctl explain config/dekeyd.yaml", run_explain);
    add_paper("plan", "Level budget from exciter to antenna, before anything is keyed",
              "dekeyctl plan config/dekeyd.yaml", run_plan);

    CalibrateOptions calibrate;
    int between_ms = 100;
    auto* calibrate_command =
        app.add_subcommand("calibrate", "A detector against a reference power meter, level by level");
    calibrate_command->add_option("sensor", calibrate.sensor, "the sensor's id, such as forward")->required();
    calibrate_command->add_option("file", calibrate.file, "the configuration that dekeyd runs with")->required();
    calibrate_command->add_option("--reference", calibrate.reference, "what it is compared with")->required();
    calibrate_command->add_option("--within", calibrate.reference_db, "the reference's uncertainty at k = 2, dB")
        ->check(CLI::Range(0.01, 3.0))
        ->capture_default_str();
    calibrate_command->add_option("--between", between_ms, "between two readings, ms")
        ->check(CLI::Range(5, 10000))
        ->capture_default_str();
    calibrate_command->footer(
        "Example:\n  dekeyctl calibrate forward /etc/dekeyd/dekeyd.yaml --reference 'Bench meter' --within 0.2");
    calibrate_command->callback([&] {
        calibrate.socket = path();
        calibrate.between = std::chrono::milliseconds{between_ms};
        chosen = [&] { return run_calibrate(calibrate); };
    });

    FindOptions find;
    auto* find_command = app.add_subcommand(
        "find", "Thermometers, converters, monitor chips and GPIO lines that are there, with readings");
    find_command->add_option("--sysfs", find.sysfs, "the kernel's files")->capture_default_str();
    find_command->add_flag("--json", find.json, "the same as JSON");
    find_command->add_option("--write", find.write,
                             "a new file: a starting configuration for what was found, to be filled in");
    find_command->footer(
        "The words before each value are those of the configuration.\n"
        "Examples:\n  dekeyctl find\n  dekeyctl find --write dekeyd.yaml");
    find_command->callback([&] { chosen = [&] { return run_find(find); }; });

    AdoptOptions adopt;
    auto* adopt_command = app.add_subcommand("adopt", "Puts a new thermometer in the place of a missing one");
    adopt_command->add_option("role", adopt.what, "the missing sensor's role or id: heatsink, ambient")->required();
    adopt_command->add_option("--config", adopt.file, "the configuration")->capture_default_str();
    adopt_command->add_option("--address", adopt.address, "the new sensor's id, where several are new");
    adopt_command->add_option("--restart-command", adopt.restart_command,
                              "what starts dekeyd again; default: 'systemctl restart dekeyd' where that unit runs");
    adopt_command->add_flag("--no-restart", adopt.no_restart, "leave the restart to the operator");
    adopt_command->add_flag("-y,--yes", adopt.yes, "don't ask; what is ambiguous is refused all the same");
    adopt_command->add_flag("--json", adopt.json, "what was done, as JSON");
    adopt_command->footer(
        "dekeyd is held first, and stays so until 'dekeyctl release'.\n"
        "Examples:\n  dekeyctl adopt heatsink\n"
        "  dekeyctl adopt ambient --address 28-0000000000a7 --yes");
    adopt_command->callback([&] {
        if (!socket.empty() || app.count("--run") > 0) adopt.socket = path();
        chosen = [&] { return run_adopt(adopt); };
    });

    WatchOptions watch;
    auto* watch_command = app.add_subcommand("watch", "Live view; plain lines where the output isn't a terminal");
    watch_command->add_flag("--json", watch.json, "each status and event as a line of JSON");
    watch_command->add_flag("--plain", watch.plain, "lines even on a terminal");
    watch_command->add_option("--hz", watch.hz, "statuses a second")
        ->check(CLI::Range(0.1, 50.0))
        ->capture_default_str();
    watch_command->add_option("--notes", watch.notes, "a text file whose last lines are shown on the screen too");
    watch_command->footer("Examples:\n  dekeyctl watch\n  dekeyctl watch --json | jq 'select(.event)'");
    watch_command->callback([&] {
        watch.socket = path();
        chosen = [&] { return run_watch(watch); };
    });

    LogOptions log;
    auto* log_command = app.add_subcommand("log", "The transmissions, the hourly figures or the captures of trips");
    log_command->add_option("--state", log.state_directory, "dekeyd's state directory")->capture_default_str();
    log_command->add_option("--month", log.month, "of one month only, such as 2026-03");
    log_command->add_flag("--csv", log.csv, "as CSV, for a station log or a spreadsheet; times are UTC");
    log_command->add_flag("--hours", log.hours, "least, mean and greatest of each quantity, hour by hour");
    log_command->add_flag("--captures", log.captures, "the files in which trips are kept");
    log_command->footer("Examples:\n  dekeyctl log --month 2026-03\n  dekeyctl log --csv > station.csv");
    log_command->callback([&] { chosen = [&] { return run_log(log); }; });

    RecordOptions record;
    auto* record_command = app.add_subcommand("record", "Records all that dekeyd sees, step by step, for replay");
    record_command->add_option("file", record.file, "where to; some 70 MB an hour")->required();
    record_command->add_option("--seconds", record.seconds, "for so long")
        ->check(CLI::Range(1.0, 86'400.0))
        ->capture_default_str();
    record_command->footer("Example:\n  dekeyctl record evening.csv --seconds 3600");
    record_command->callback([&] {
        record.socket = path();
        chosen = [&] { return run_record(record); };
    });

    ReplayOptions replay;
    auto* replay_command =
        app.add_subcommand("replay", "Decides a capture again, as it was or under another configuration");
    replay_command->add_option("file", replay.file, "a capture or a recording")->required();
    replay_command->add_option("--config", replay.configuration, "what would this configuration have done?");
    replay_command->add_flag("--json", replay.json, "the same as JSON");
    replay_command->footer("Example:\n  dekeyctl replay /var/lib/dekeyd/captures/000001-*.csv --config new.yaml");
    replay_command->callback([&] { chosen = [&] { return run_replay(replay); }; });

    try {
        app.parse(argc, argv);
    } catch (const CLI::ParseError& error) {
        return app.exit(error) == 0 ? exit_done : exit_usage;
    }
    return chosen();
}

}  // namespace

int main(int argc, char** argv) {
    try {
        return run(argc, argv);
    } catch (const Unreachable& error) {
        fmt::print(stderr, "dekeyctl: {}\n", error.what());
        return exit_unreachable;
    } catch (const std::exception& error) {
        fmt::print(stderr, "dekeyctl: {}\n", error.what());
        return exit_nonsense;
    }
}
