// The life of the daemon: start in the order that keeps the line inhibited, watch, stop by a deadline.
#pragma once

#include <string>

#include "configuration/configuration.hpp"

namespace dekeyd {

/// Runs until a signal or a failure; the line is inhibited when it returns, with one of base/exit_codes.hpp. The caller
/// should _exit with what it returns: a thread that is stuck in the kernel is left behind.
int run_service(const formats::Configuration& configuration);

/// For a start that can't happen: puts the line of an earlier start (known from its run-time file) and the configured
/// one, if given, to inhibit. Says what it did. A line that another program holds is left alone.
void inhibit_without_service(const std::string& run_directory, const std::string& sysfs_root,
                             const formats::LineConfig* configured);

}  // namespace dekeyd
