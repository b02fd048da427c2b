// The life of the daemon: start in the order that keeps the line inhibited, watch, stop by a deadline.
#pragma once

#include "configuration/configuration.hpp"

namespace dekeyd {

/// Runs until a signal or a failure; the line is inhibited when it returns, with one of base/exit_codes.hpp. The caller
/// should _exit with what it returns: a thread that is stuck in the kernel is left behind.
int run_service(const formats::Configuration& configuration);

}  // namespace dekeyd
