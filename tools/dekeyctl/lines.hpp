// Lines of text whose parts have a meaning, and how they come to a terminal or a file.
#pragma once

#include <cstddef>
#include <string>
#include <vector>

namespace dekeyd::ctl {

/// What a piece of text means; a colour only repeats what the words say.
enum class Tone { plain, strong, good, caution, danger, banner_permit, banner_inhibit, banner_doubt };

struct Span {
    std::string text;
    Tone tone = Tone::plain;
};
using Line = std::vector<Span>;

struct Look {
    std::size_t width = 80, height = 24;
    bool colour = false;  ///< otherwise bold and reverse alone
    bool utf8 = true;     ///< otherwise ASCII signs
};

/// The width of all its spans.
std::size_t columns_of(const Line& line);
/// Cuts a line to its room, over all its spans.
void fit(Line& line, std::size_t room);

/// The lines as text, each with its newline, with ANSI attributes unless `bare`.
std::string to_text(const std::vector<Line>& lines, const Look& look, bool bare);
/// The lines as one frame over the whole terminal: from the top left corner, clearing what was there.
std::string to_frame(const std::vector<Line>& lines, const Look& look);

}  // namespace dekeyd::ctl
