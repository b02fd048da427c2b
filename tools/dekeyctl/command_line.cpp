#include "dekeyctl/command_line.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <dekeyd_version.hpp>
#include <iterator>
#include <set>
#include <string_view>
#include <utility>

#include "dekeyctl/set_up/starting_configuration.hpp"
#include "dekeyctl/terminal.hpp"
#include "dekeyctl/text.hpp"
#include "words/nearest.hpp"
#include "words/units.hpp"

namespace dekeyd::ctl {
namespace {

constexpr const char* closing = R"(Examples:
  dekeyctl status                        may it transmit, and if not, why?
  dekeyctl watch                         live view: each value beside its limits
  dekeyctl hold --reason "on the mast"   take the permit away until 'dekeyctl release'
  dekeyctl reset                         after a latched trip, once its cause is gone
  dekeyctl find                          what is there to be measured and driven
  dekeyctl adopt heatsink                a new thermometer in the place of a missing one
  dekeyctl check /etc/dekeyd/dekeyd.yaml every fault of a configuration, or what it guards
  dekeyctl prove                         line, contact and every limit, held and without RF
  dekeyctl explain dekeyd.yaml           how far each number may be believed, and why

Exit codes:
  0  done; for status: permitted
  1  refused, interrupted, not passed, or faults were found
  2  wrong arguments
  3  for status: inhibited
  4  dekeyd can't be reached
  5  dekeyd's answer was not understood
  6  done, but not saved yet: a restart may forget it

Colour is used on a terminal only, never alone, and not at all where NO_COLOR is set.
dekeyd is the last line of protection, never the only one. Working on an amplifier, its
feeder or its antenna: isolate it and lock it off; a hold is no substitute.)";

/// An option that neither the command nor dekeyctl has: what is near, or where they are listed.
std::string unknown_option(const CLI::App& app, const std::vector<std::string>& left) {
    const auto found =
        std::find_if(left.begin(), left.end(), [](const std::string& word) { return word.starts_with('-'); });
    if (found == left.end()) return {};
    const auto chosen = app.get_subcommands();
    const CLI::App& command = chosen.empty() ? app : *chosen.front();
    std::vector<std::string> names;
    for (const CLI::App* one : {&command, &app}) {
        for (const CLI::Option* option : one->get_options())
            for (const std::string& name : option->get_lnames()) names.push_back("--" + name);
    }
    const std::vector<std::string_view> words{names.begin(), names.end()};
    const std::string given = found->substr(0, found->find('='));
    const auto near = formats::nearest(given, words);
    const std::string whose = chosen.empty() ? "dekeyctl" : "dekeyctl " + command.get_name();
    return fmt::format("'{}' has no option '{}'; {}", whose, printable(given),
                       near ? fmt::format("did you mean '{}'?", *near) : fmt::format("'{} --help' lists them", whose));
}

// What is left over: the library's "A subcommand is required" and "was not expected" name nothing that was meant.
std::string unknown_word(const CLI::App& app) {
    const std::vector<std::string> left = app.remaining(true);
    if (std::string option = unknown_option(app, left); !option.empty()) return option;
    if (!app.get_subcommands().empty()) return {};
    if (left.empty()) return "no command was given; 'dekeyctl --help' lists them, such as 'dekeyctl status'";
    std::vector<std::string> names;
    for (const CLI::App* command : app.get_subcommands([](const CLI::App*) { return true; }))
        names.push_back(command->get_name());
    const std::vector<std::string_view> words{names.begin(), names.end()};
    const auto near = formats::nearest(left.front(), words);
    return fmt::format("there is no command '{}'; {}", printable(left.front()),
                       near ? fmt::format("did you mean '{}'?", *near) : "'dekeyctl --help' lists them");
}

/// The library's own words, and whose help says more.
std::string amiss(const CLI::App& app, const CLI::ParseError& error) {
    const auto chosen = app.get_subcommands();
    const std::string whose = chosen.empty() ? "dekeyctl" : "dekeyctl " + chosen.front()->get_name();
    return fmt::format("{}; '{} --help' says more", error.what(), whose);
}

// By the person's question; in this order in the help, the manual page and the completion.
struct Group {
    std::string_view question;
    std::array<std::string_view, 9> commands;
};
constexpr std::array groups{
    Group{"Set up: is it wired and written right?",
          {"find", "check", "keys", "plan", "explain", "commission", "calibrate", "adopt", "sheet"}},
    Group{"Daily: may it transmit?", {"status", "watch", "follow", "hold", "release", "reset"}},
    Group{"Prove: does it still protect?", {"prove"}},
    Group{"Look back: what happened?", {"log", "record", "replay"}},
};

constexpr const char* a_file = "FILE";
constexpr const char* a_folder = "FOLDER";

}  // namespace

CommandLine::CommandLine()
    : app_{"Shows and commands dekeyd, the last-line interlock of a radio-frequency power amplifier.", "dekeyctl"} {
    app_.footer(closing);
    app_.set_version_flag("--version", std::string{"dekeyctl "} + dekeyd_version);
    app_.require_subcommand(1);
    app_.fallthrough();
    app_.add_option("--run", run_directory_, "dekeyd's run directory")->type_name(a_folder)->capture_default_str();
    app_.add_option("--socket", socket_, "the control socket itself; default: 'control' in the run directory")
        ->type_name(a_file);
    add_state_commands();
    add_follow_command();
    add_paper_commands();
    add_calibration_command();
    add_sensor_commands();
    add_proof_command();
    add_history_commands();
    arrange();
}

void CommandLine::arrange() {
    for (const Group& group : groups) {
        for (const std::string_view name : group.commands) {
            if (name.empty()) continue;
            CLI::App* const command = app_.get_subcommand(std::string{name});
            const CLI::App_p kept = app_.get_subcommand_ptr(command);
            app_.remove_subcommand(command);
            app_.add_subcommand(kept);
            command->group(std::string{group.question});
        }
    }
}

int CommandLine::run(int argc, const char* const* argv) {
    try {
        const std::vector<const char*> own = without_command({argv, argv + argc}, follow_.command);
        app_.parse(static_cast<int>(own.size()), own.data());
    } catch (const CLI::ParseError& error) {
        if (error.get_exit_code() == 0) {
            app_.exit(error);  // help or the version
            return exit_done;
        }
        const std::string unknown = unknown_word(app_);
        say(stderr, "dekeyctl: " + (!unknown.empty() ? unknown : amiss(app_, error)));
        return exit_usage;
    }
    return chosen_();
}

CLI::App* CommandLine::add(const char* name, const char* what, const char* footer, std::function<int()> run) {
    CLI::App* const command = app_.add_subcommand(name, what);
    command->footer(footer);
    command->callback([this, run = std::move(run)] { chosen_ = run; });
    return command;
}

void CommandLine::add_state_commands() {
    CLI::App* command = add(
        "status", "One line: permit or inhibit, and why",
        "It asks the guard alone, which doesn't know what a receiver says of the signal ('signal:'): that is on the "
        "page and at the broker.\n\n"
        "Example:\n  dekeyctl status --run /tmp/demo/run || echo 'not permitted'",
        [this] {
            status_.socket = socket();
            return run_status(status_);
        });
    command->add_flag("--json", status_.json, "the daemon's whole answer, as JSON");
    command->add_flag("-a,--all", status_.all, "causes, values beside their limits and sensors' faults too");

    const auto add_order = [this](const char* name, const char* what, const char* example) {
        CLI::App* const order = add(name, what, example, [this, name] {
            order_.socket = socket();
            order_.order = name;
            return run_order(order_);
        });
        order->add_flag("--json", order_.json, "the daemon's answer, as JSON");
        return order;
    };
    add_order(
        "hold",
        "Takes the permit away until 'release'; a restart doesn't end it. (A limit's hold_off is another thing: how "
        "long its cause must be gone)",
        "Example:\n  dekeyctl hold --reason 'replacing the feeder'")
        ->add_option("-r,--reason", order_.reason, "why: kept with the hold, and shown wherever it is");
    add_order(
        "release",
        "Ends what 'hold' began, and permits only when nothing else stands; what a trip latched is ended by 'reset'",
        "Example:\n  dekeyctl release");
    add_order("reset",
              "Ends what trips latched, and the lockout, where their causes are gone, else says what still stands; a "
              "hold is ended "
              "by 'release'",
              "Example:\n  dekeyctl reset && dekeyctl status");

    command = add("commission", "Permits for a while, under provisional limits, with detectors not calibrated yet",
                  "Example:\n  dekeyctl commission && dekeyctl calibrate forward dekeyd.yaml --reference 'power meter'",
                  [this] {
                      order_.socket = socket();
                      order_.order = end_commissioning_ ? "end-commissioning" : "commission";
                      return run_order(order_);
                  });
    command->add_flag("--end", end_commissioning_, "ends it before its time");
    command->add_flag("--json", order_.json, "the daemon's answer, as JSON");

    command = add("watch", "Live view; plain lines where the output isn't a terminal",
                  "Examples:\n  dekeyctl watch\n  dekeyctl watch --json | jq 'select(.event)'", [this] {
                      watch_.socket = socket();
                      return run_watch(watch_);
                  });
    command->add_flag("--json", watch_.json, "each status and event as a line of JSON");
    command->add_flag("--plain", watch_.plain, "lines even on a terminal");
    command->add_option("--hz", watch_.hz, "statuses a second")->check(CLI::Range(0.1, 50.0))->capture_default_str();
    command->add_option("--notes", watch_.notes, "a text file whose last lines are shown on the screen too")
        ->type_name(a_file);
}

void CommandLine::add_paper_commands() {
    CLI::App* command =
        add("check", "After each change of the file: all its faults, or what it would guard",
            "Examples:\n  dekeyctl check config/dekeyd.yaml\n  dekeyctl check --here /etc/dekeyd/dekeyd.yaml",
            [this] { return run_check(check_); });
    command->add_option("file", check_.file, "the configuration")->type_name(a_file)->required();
    command->add_flag(
        "--here", check_.here,
        "on this machine too, at rest: is each chip, channel, thermometer and line there, and does it read "
        "sensibly? It only reads, and drives nothing");
    command->add_flag("--json", check_.json, "faults, advice and summary as JSON");

    command = add("keys", "Each key of the configuration: whether it is needed, its values, default and meaning",
                  "Examples:\n  dekeyctl keys limits\n  dekeyctl keys --schema > dekeyd.schema.json",
                  [this] { return run_keys(keys_); });
    command->add_option("part", keys_.part, "only keys with this in their path, such as sensors or allowed_age");
    CLI::Option* const keys_json = command->add_flag("--json", keys_.json, "the same as JSON");
    command->add_flag("--schema", keys_.schema, "the JSON Schema by which an editor completes and checks the file")
        ->excludes(keys_json);

    command =
        add("explain", "When a number is in doubt: from volts to watts with every term, and how far it may be believed",
            "Example:\n  dekeyctl explain config/dekeyd.yaml", [this] { return run_explain(paper_); });
    command->add_option("file", paper_.file, "the configuration")->type_name(a_file)->required();
    command->add_flag("--json", paper_.json, "the same figures as JSON");
    command = add("plan", "Before anything is keyed: the level budget from exciter to antenna",
                  "Example:\n  dekeyctl plan config/dekeyd.yaml", [this] { return run_plan(paper_); });
    command->add_option("file", paper_.file, "the configuration")->type_name(a_file)->required();
    command->add_flag("--json", paper_.json, "the same figures as JSON");
    add_sheet_command();
}

void CommandLine::add_sheet_command() {
    CLI::App* const command =
        add("sheet", "A page to print: this station's drawing, wires, ports, limits, what to do on a trip, labels",
            "Example:\n  dekeyctl sheet config/dekeyd.yaml > station.html", [this] { return run_sheet(sheet_); });
    command->add_option("file", sheet_.file, "the configuration")->type_name(a_file)->capture_default_str();
    command->add_option("-o,--output", sheet_.output, "the page's file; default: standard output")->type_name(a_file);
    command->add_flag("--overwrite", sheet_.overwrite, "in the place of a file that is there already");
    command->add_flag("--json", sheet_.json, "what was written, as JSON; without a file the page itself in it");
}

void CommandLine::add_calibration_command() {
    CLI::App* const command =
        add("calibrate", "A detector against a reference power meter, level by level",
            "Example:\n  dekeyctl calibrate forward /etc/dekeyd/dekeyd.yaml --reference 'Bench meter' --within 0.2",
            [this] {
                calibrate_.socket = socket();
                calibrate_.between = std::chrono::milliseconds{between_ms_};
                return run_calibrate(calibrate_);
            });
    command->add_option("sensor", calibrate_.sensor, "the sensor's id, such as forward")->required();
    command->add_option("file", calibrate_.file, "the configuration that dekeyd runs with")
        ->type_name(a_file)
        ->required();
    command->add_option("--reference", calibrate_.reference, "what it is compared with")->required();
    command->add_option("--within", calibrate_.reference_db, "the reference's uncertainty at k = 2, dB")
        ->check(CLI::Range(0.01, 3.0))
        ->capture_default_str();
    command
        ->add_option_function<std::string>(
            "--pad",
            [this](const std::string& given) {
                const formats::Quantity pad = formats::parse_quantity(given, formats::Dimension::ratio_db);
                if (!pad.good() || pad.value < 0.0 || pad.value > 100.0)
                    throw CLI::ValidationError("--pad", "expected 0dB to 100dB, with its unit");
                calibrate_.pad_db = pad.value;
            },
            "the pads at the detector for these levels, in place of the configured ones: 0dB where they were taken "
            "out, so that less power reaches the upper range")
        ->type_name("DB");
    command->add_flag("--new", calibrate_.anew, "forgets the levels that earlier sessions kept");
    command->add_option("--between", between_ms_, "between two readings, ms")
        ->check(CLI::Range(5, 10000))
        ->capture_default_str();
    command->add_flag("--json", calibrate_.json,
                      "what was compared and written, as JSON; the questions on standard error");
}

void CommandLine::add_sensor_commands() {
    CLI::App* command =
        add("find", "Thermometers, converters, monitor chips and GPIO lines that are there, with readings",
            "The words before each value are those of the configuration.\n"
            "Examples:\n  dekeyctl find\n  dekeyctl find --write dekeyd.yaml\n"
            "  dekeyctl find --ask dekeyd.yaml --without drive",
            [this] { return run_find(find_); });
    command->add_option("--sysfs", find_.sysfs, "the kernel's files")->type_name(a_folder)->capture_default_str();
    command->add_flag("--json", find_.json, "the same as JSON");
    command
        ->add_option("--write", find_.write, "a new file: a starting configuration for what was found, to be filled in")
        ->type_name(a_file);
    command->add_option("--ask", find_.ask, "asks for the blanks of such a file one by one; can be left and resumed")
        ->type_name(a_file)
        ->excludes("--write");
    command->add_option("--without", find_.without, "a part that this station doesn't have; may be given several times")
        ->type_name("PART")
        ->check(CLI::IsMember(std::set<std::string>(std::begin(optional_parts), std::end(optional_parts))));

    command = add("adopt", "Puts a new thermometer in the place of a missing one",
                  "dekeyd is held first, and stays so until 'dekeyctl release'.\n"
                  "Examples:\n  dekeyctl adopt heatsink\n"
                  "  dekeyctl adopt ambient --address 28-0000000000a7 --yes",
                  [this] {
                      if (!socket_.empty() || app_.count("--run") > 0) adopt_.socket = socket();
                      return run_adopt(adopt_);
                  });
    command->add_option("role", adopt_.what, "the missing sensor's role or id: heatsink, ambient")->required();
    command->add_option("--config", adopt_.file, "the configuration")->type_name(a_file)->capture_default_str();
    command->add_option("--address", adopt_.address, "the new sensor's id, where several are new");
    command->add_option("--restart-command", adopt_.restart_command,
                        "what starts dekeyd again; default: 'systemctl restart dekeyd' where that unit runs");
    command->add_flag("--no-restart", adopt_.no_restart, "leave the restart to the operator");
    command->add_flag("-y,--yes", adopt_.yes, "don't ask; what is ambiguous is refused all the same");
    command->add_flag("--json", adopt_.json, "what was done, as JSON");
}

void CommandLine::add_proof_command() {
    CLI::App* const command =
        add("prove", "The proof test: line, contact and every limit, with the amplifier held and no RF",
            "Needs a local hold, no RF measured, and drive measured absent (or a supply contactor, which it opens\n"
            "and must see open). The line goes to permit for moments; the exciter must be off. --release-time is the "
            "second\n"
            "part, by choice: one real de-key at reduced power into a dummy load.\n"
            "Examples:\n  dekeyctl hold --reason 'proof test' && dekeyctl prove --folder /root/proofs\n"
            "  dekeyctl prove --release-time",
            [this] {
                prove_.socket = socket();
                return run_prove(prove_);
            });
    command->add_option("--folder", prove_.folder, "where the reports go")->type_name(a_folder)->capture_default_str();
    command->add_option("--note", prove_.note, "for the report");
    command
        ->add_option("--slack", prove_.slack_s, "a limit may take so many seconds longer than the configuration says")
        ->check(CLI::Range(0.0, 10.0))
        ->capture_default_str();
    command->add_flag("--release-time", prove_.release_time, "measure how long RF lasts after a real de-key");
    command->add_flag("-y,--yes", prove_.yes, "the precautions are taken; the contact is asked for all the same");
    command->add_flag("--json", prove_.json, "the report on standard output too, as JSON");
}

void CommandLine::add_history_commands() {
    CLI::App* command = add("log", "The transmissions, the hourly figures or the captures of trips",
                            "Examples:\n  dekeyctl log --month 2026-03\n  dekeyctl log --csv > station.csv",
                            [this] { return run_log(log_); });
    command->add_option("--state", log_.state_directory, "dekeyd's state directory")
        ->type_name(a_folder)
        ->capture_default_str();
    command->add_option("--month", log_.month, "of one month only, such as 2026-03");
    CLI::Option* const csv =
        command->add_flag("--csv", log_.csv, "as CSV, for a station log or a spreadsheet; times are UTC");
    command->add_flag("--json", log_.json, "the same as JSON")->excludes(csv);
    command->add_flag("--hours", log_.hours, "least, mean and greatest of each quantity, hour by hour");
    command->add_flag("--captures", log_.captures, "the files in which trips are kept");

    command = add("record", "Records all that dekeyd sees, step by step, for replay",
                  "Example:\n  dekeyctl record evening.csv --seconds 3600", [this] {
                      record_.socket = socket();
                      return run_record(record_);
                  });
    command->add_option("file", record_.file, "where to; some 70 MB an hour")->type_name(a_file)->required();
    command->add_option("--seconds", record_.seconds, "for so long")
        ->check(CLI::Range(1.0, 86'400.0))
        ->capture_default_str();
    command->add_flag("--overwrite", record_.overwrite, "in the place of a file that is there already");
    command->add_flag("--json", record_.json, "what was recorded, as JSON");

    command = add("replay", "Decides a capture again, as it was or under another configuration",
                  "Example:\n  dekeyctl replay /var/lib/dekeyd/captures/000001-*.csv --config new.yaml",
                  [this] { return run_replay(replay_); });
    command->add_option("file", replay_.file, "a capture or a recording")->type_name(a_file)->required();
    command->add_option("--config", replay_.configuration, "what would this configuration have done?")
        ->type_name(a_file);
    command->add_flag("--json", replay_.json, "the same as JSON");
}

}  // namespace dekeyd::ctl
