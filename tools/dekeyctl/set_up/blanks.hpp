// What a starting configuration still asks for.
#pragma once

#include <cstddef>
#include <string>
#include <string_view>
#include <vector>

namespace dekeyd::ctl {

struct Blank {
    std::size_t line = 0;  ///< from 1
    std::string key;       ///< its path: sensors.forward.detector.slope
};

/// Each blank that stands for a value, in the order of the text. Of a text as `find --write` makes it: blocks by
/// indentation, and maps in braces within a line.
std::vector<Blank> blanks_of(std::string_view yaml);

/// The text with an example in the place of each figure of the amplifier's that is open: a fault that is gone then
/// followed from the blanks alone.
std::string with_examples(std::string_view yaml);

/// One line of a to-do list: where, which key, and what its row says of it.
std::string to_do(const Blank& blank);

}  // namespace dekeyd::ctl
