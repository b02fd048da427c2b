// The files of the run folder from which the stop hook knows the lines, and what a start that can't happen does with
// them.
#pragma once

#include <string>

#include "configuration/configuration.hpp"

namespace dekeyd {

/// For the stop hook, and before any line is requested: the lines of this configuration, and no others. Empty, or what
/// failed.
std::string write_line_files(const formats::Configuration& configuration);

/// The run folder must be one that the service manager gave: its stop hook looks there. Empty: it is, or none was
/// given; else the first that was.
std::string other_run_directory(const formats::Configuration& configuration);

/// For a start that can't happen: puts the line of an earlier start (known from its run-time file) and the configured
/// one, if given, to inhibit. Says what it did. A line that another program holds is left alone.
void inhibit_without_service(const std::string& run_directory, const std::string& sysfs_root,
                             const formats::LineConfig* configured);

}  // namespace dekeyd
