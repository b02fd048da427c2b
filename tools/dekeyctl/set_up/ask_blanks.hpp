// The blanks of a starting configuration as questions. Each answer is written before the next question, so that it can
// be left at any time and goes on where it was.
#pragma once

#include <iosfwd>
#include <string>
#include <string_view>

namespace dekeyd::ctl {

/// `text` with the first blank of `key` answered; empty with `why` where the configuration refuses the answer.
std::string answered(const std::string& text, std::string_view key, const std::string& answer, std::string& why);

/// Asks for what is open in the file, and for what it offers in comments. Exit code: 1 where it was left with blanks.
int ask_blanks(const std::string& path, std::istream& in);

}  // namespace dekeyd::ctl
