// The blanks of a starting configuration as questions. Each answer is written before the next question, so that it can
// be left at any time and goes on where it was.
#pragma once

#include <iosfwd>
#include <string>
#include <string_view>

namespace dekeyd::ctl {

struct Answered {
    std::string text{};     ///< with the answer; empty: it was refused
    std::string refused{};  ///< why
};
/// `text` with the first blank of `key` answered, where the configuration takes the answer.
Answered answered(const std::string& text, std::string_view key, const std::string& answer);

/// Asks for what is open in the file, and for what it offers in comments. Exit code: 1 where it was left with blanks.
int ask_blanks(const std::string& path, std::istream& in);

}  // namespace dekeyd::ctl
