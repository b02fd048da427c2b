// `dekeyctl follow`: each event once, in order, printed or given to a command.
#pragma once

#include <chrono>
#include <cstdint>
#include <optional>
#include <string>
#include <vector>

namespace dekeyd::ctl {

struct FollowOptions {
    std::vector<std::string> sockets;     ///< the first that this user may open
    std::string least = "notice";         ///< severity
    std::optional<std::uint64_t> from{};  ///< the journal's number
    std::string resume{};                 ///< a file that keeps how far it came; empty: none
    std::vector<std::string> command{};   ///< empty: printed
    double time_limit_s = 30.0;           ///< of the command
    unsigned tries = 0;                   ///< of one event; 0: until it has succeeded
    bool json = false;
};
/// Until a signal ends it.
int run_follow(const FollowOptions& options);

/// The command line's words without those of the command that `follow --run` is given: all behind it are its own.
std::vector<const char*> without_command(std::vector<const char*> words, std::vector<std::string>& command);

/// How long to wait after so many tries in a row that failed: 250 ms, doubled each time, at most 5 min.
std::chrono::milliseconds pause_after(unsigned tries) noexcept;

}  // namespace dekeyd::ctl
