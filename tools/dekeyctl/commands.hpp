// The sub-commands. Each prints to standard output, complains on standard error, and returns the exit code.
#pragma once

#include <chrono>
#include <optional>
#include <set>
#include <string>

namespace dekeyd::ctl {

/// The exit codes, for scripts.
enum ExitCode : int {
    exit_done = 0,         ///< done; status: permitted
    exit_refused = 1,      ///< the command was refused, or the configuration has faults
    exit_usage = 2,        ///< wrong arguments
    exit_inhibited = 3,    ///< status: inhibited
    exit_unreachable = 4,  ///< the daemon can't be reached
    exit_nonsense = 5,     ///< the daemon's answer was not understood
    exit_not_saved = 6,    ///< done, but a restart may forget it
};

struct StatusOptions {
    std::string socket;
    bool json = false;
    bool all = false;  ///< causes, values beside their limits and sensors' faults too
};
int run_status(const StatusOptions& options);

struct OrderOptions {
    std::string socket;
    std::string order;  ///< hold, release or reset
    std::string reason;
    bool json = false;
};
int run_order(const OrderOptions& options);

struct CheckOptions {
    std::string file;
    bool here = false;  ///< on this machine too, at rest
    bool json = false;
};
int run_check(const CheckOptions& options);

struct KeysOptions {
    std::string part;     ///< of a key's path; empty: every key
    bool schema = false;  ///< the JSON Schema for editors
    bool json = false;
};
/// The reference of the configuration's keys.
int run_keys(const KeysOptions& options);

struct PaperOptions {
    std::string file;
    bool json = false;
};
/// The chain from volts to watts with all of its uncertainty.
int run_explain(const PaperOptions& options);
/// The level budget before anything is keyed.
int run_plan(const PaperOptions& options);

struct SheetOptions {
    std::string file = "/etc/dekeyd/dekeyd.yaml";
    std::string output;      ///< empty: standard output
    bool overwrite = false;  ///< in the place of a file that is there
    bool json = false;
};
/// The station's printable page.
int run_sheet(const SheetOptions& options);

struct CalibrateOptions {
    std::string socket;
    std::string file;       ///< the configuration that the daemon runs with
    std::string sensor;     ///< id
    std::string reference;  ///< what it is compared with, for the file
    double reference_db = 0.3;
    std::optional<double> pad_db{};          ///< what the detector's pads are for these levels; none: as configured
    bool anew = false;                       ///< forget the levels that were kept
    std::chrono::milliseconds between{100};  ///< two readings
    bool json = false;                       ///< the questions on standard error then
};
/// Asks on standard input, level by level, and writes the file beside the configuration.
int run_calibrate(const CalibrateOptions& options);

struct WatchOptions {
    std::string socket;
    double hz = 5.0;
    bool json = false;
    bool plain = false;  ///< lines even where standard output is a terminal
    std::string notes;   ///< a text file whose last lines are shown too; empty: none
};
int run_watch(const WatchOptions& options);

struct FindOptions {
    std::string sysfs = "/sys";
    std::string write;                ///< a new file for a starting configuration; empty: none
    std::string ask;                  ///< the same, with its blanks asked for; a file with blanks goes on
    std::set<std::string> without{};  ///< parts that the station doesn't have
    bool json = false;
};
int run_find(const FindOptions& options);

struct AdoptOptions {
    std::string what;  ///< a role, or a sensor's id
    std::string file = "/etc/dekeyd/dekeyd.yaml";
    std::string address;          ///< the new sensor's, where several are there
    std::string socket;           ///< empty: in the run directory that the configuration names
    std::string restart_command;  ///< empty: the unit, where systemd runs it
    bool no_restart = false;
    bool yes = false;
    bool json = false;
};
int run_adopt(const AdoptOptions& options);

struct ProveOptions {
    std::string socket;
    std::string folder = ".";   ///< for the reports
    std::string note;           ///< for the report
    double slack_s = 0.1;       ///< a limit may take so much longer than promised
    bool release_time = false;  ///< the second part: a real de-key
    bool yes = false;           ///< the precautions are taken; the contact is asked for all the same
    bool json = false;
};
/// Asks on standard input, and writes a report as text and as JSON.
int run_prove(const ProveOptions& options);

}  // namespace dekeyd::ctl
