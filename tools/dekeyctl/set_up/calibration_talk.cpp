#include "dekeyctl/set_up/calibration_talk.hpp"

#include <fmt/format.h>

#include <iostream>

#include "dekeyctl/terminal.hpp"

namespace dekeyd::ctl {

std::FILE* out_of(const CalibrateOptions& options) {
    return options.json ? stderr : stdout;
}

void tell(const CalibrateOptions& options, const std::string& text) {
    say(out_of(options), text);
}

std::optional<std::string> hear(const CalibrateOptions& options, const std::string& question) {
    fmt::print(out_of(options), "{} ", question);
    std::fflush(out_of(options));
    std::string line;
    if (!std::getline(std::cin, line)) return std::nullopt;
    while (!line.empty() && (line.back() == ' ' || line.back() == '\r')) line.pop_back();
    return line;
}

}  // namespace dekeyd::ctl
