// The sub-commands about what has been: the logs and the replay of captures.
#pragma once

#include <string>

namespace dekeyd::ctl {

struct LogOptions {
    std::string state_directory = "/var/lib/dekeyd";
    std::string month;  ///< "2026-03"; empty: all
    bool csv = false;
    bool json = false;
    bool hours = false;     ///< hourly figures in place of transmissions
    bool captures = false;  ///< the captures of trips in place of transmissions
};
int run_log(const LogOptions& options);

struct RecordOptions {
    std::string socket;
    std::string file;
    double seconds = 60.0;
    bool overwrite = false;
    bool json = false;
};
int run_record(const RecordOptions& options);

struct ReplayOptions {
    std::string file;
    std::string configuration;  ///< empty: the one in the file
    bool json = false;
};
int run_replay(const ReplayOptions& options);

}  // namespace dekeyd::ctl
