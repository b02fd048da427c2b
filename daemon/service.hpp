// The life of the daemon: start in the order that keeps the line inhibited, watch, stop by a deadline.
#pragma once

#include <string>

#include "formats/configuration.hpp"

namespace dekeyd {

// Exit codes beside 0, from sysexits.h.
inline constexpr int exit_software = 70;       ///< a fault of the program
inline constexpr int exit_system = 71;         ///< the system refused a thread or the like
inline constexpr int exit_cannot_create = 73;  ///< the state or the run directory is missing, or can't be used
inline constexpr int exit_not_saved = 74;      ///< stopped by a signal, but latches and holds may not be saved
inline constexpr int exit_configuration = 78;  ///< the configuration has faults, or another daemon has its folders

/// Runs until a signal or a failure; the line is inhibited when it returns. The caller should _exit with what it
/// returns: a thread that is stuck in the kernel is left behind.
int run_service(const formats::Configuration& configuration);

/// For a start that can't happen: puts the line of an earlier start (known from its run-time file) and the configured
/// one, if given, to inhibit. Says what it did. A line that another program holds is left alone.
void inhibit_without_service(const std::string& run_directory, const std::string& sysfs_root,
                             const formats::LineConfig* configured);

}  // namespace dekeyd
