// What calibrate says to its operator, and hears.
#pragma once

#include <cstdio>
#include <optional>
#include <string>

#include "dekeyctl/commands.hpp"

namespace dekeyd::ctl {

/// Standard output, or standard error where standard output is for JSON.
std::FILE* out_of(const CalibrateOptions& options);
void tell(const CalibrateOptions& options, const std::string& text);
/// A line of standard input, without spaces at its end; none: it has ended.
std::optional<std::string> hear(const CalibrateOptions& options, const std::string& question);

}  // namespace dekeyd::ctl
