// The command line of dekeyctl: sub-commands, options and their help. The manual page and the shell's completion are
// made from the same object.
#pragma once

#include <CLI/CLI.hpp>
#include <functional>
#include <string>
#include <vector>

#include "dekeyctl/commands.hpp"
#include "dekeyctl/follow/follow.hpp"
#include "dekeyctl/look_back/history_commands.hpp"

namespace dekeyd::ctl {

class CommandLine {
public:
    CommandLine();
    CommandLine(const CommandLine&) = delete;
    CommandLine& operator=(const CommandLine&) = delete;

    /// Help, or what is wrong, is printed here. Returns the exit code; throws Unreachable.
    int run(int argc, const char* const* argv);
    [[nodiscard]] const CLI::App& app() const noexcept { return app_; }

private:
    CLI::App* add(const char* name, const char* what, const char* footer, std::function<int()> run);
    void add_state_commands();
    void add_paper_commands();
    void add_follow_command();
    void add_sheet_command();
    void add_calibration_command();
    void add_sensor_commands();
    void add_proof_command();
    void add_history_commands();
    void arrange();  ///< in groups
    [[nodiscard]] std::string socket() const { return socket_.empty() ? run_directory_ + "/control" : socket_; }

    CLI::App app_;
    std::string run_directory_ = "/run/dekeyd";
    std::string socket_;
    PaperOptions paper_;
    int between_ms_ = 100;
    StatusOptions status_;
    OrderOptions order_;
    bool end_commissioning_ = false;
    CheckOptions check_;
    KeysOptions keys_;
    SheetOptions sheet_;
    CalibrateOptions calibrate_;
    FindOptions find_;
    AdoptOptions adopt_;
    WatchOptions watch_;
    FollowOptions follow_;
    LogOptions log_;
    RecordOptions record_;
    ReplayOptions replay_;
    ProveOptions prove_;
    std::function<int()> chosen_;
};

}  // namespace dekeyd::ctl
