// Text for a terminal: columns taken, clipping, wrapping, and nothing that a terminal would obey.
#pragma once

#include <cstddef>
#include <string>
#include <string_view>
#include <vector>

#include "words/figures.hpp"

namespace dekeyd::ctl {

/// Control bytes and broken UTF-8 become '?', so that no name or sentence from elsewhere can drive the terminal.
std::string printable(std::string_view text);

/// Columns that printable UTF-8 takes: combining marks 0, wide East Asian characters 2.
std::size_t columns(std::string_view text);

/// At most `room` columns; what was cut is shown by a final '~'.
std::string clip(std::string_view text, std::size_t room);

/// Exactly `room` columns: clipped or filled with blanks, to the left or the right of the text.
std::string pad_right(std::string_view text, std::size_t room);
std::string pad_left(std::string_view text, std::size_t room);

/// Lines of at most `room` columns, broken at blanks; a longer word is clipped. At least one line.
std::vector<std::string> wrap(std::string_view text, std::size_t room);

/// For terminals without UTF-8: the few signs that we print ourselves, in ASCII; everything else becomes '?'.
std::string to_ascii(std::string_view text);

using formats::with_unit;

/// "1 fault", "2 faults".
std::string counted(std::size_t number, std::string_view thing);

/// A length of time for people: "20 ms", "3.2 s", "45 s", "12 min 5 s", "3 h 4 min", "5 d 2 h".
std::string time_words(double seconds);

}  // namespace dekeyd::ctl
