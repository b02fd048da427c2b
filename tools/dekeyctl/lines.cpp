#include "dekeyctl/lines.hpp"

#include <string_view>

#include "dekeyctl/text.hpp"

namespace dekeyd::ctl {
namespace {

std::string_view attributes(Tone tone, bool colour) {
    switch (tone) {
        case Tone::plain: return "";
        case Tone::strong: return "\x1b[1m";
        case Tone::good: return colour ? "\x1b[32m" : "";
        case Tone::caution: return colour ? "\x1b[1;33m" : "\x1b[1m";
        case Tone::danger: return colour ? "\x1b[1;31m" : "\x1b[1m";
        case Tone::banner_permit: return colour ? "\x1b[1;7;32m" : "\x1b[1;7m";
        case Tone::banner_inhibit: return colour ? "\x1b[1;7;31m" : "\x1b[1;7m";
        case Tone::banner_doubt: return "\x1b[1;7m";
    }
    return "";
}

std::string line_text(const Line& line, const Look& look, bool bare) {
    std::string out;
    for (const Span& span : line) {
        const std::string_view start = bare ? std::string_view{} : attributes(span.tone, look.colour);
        out += start;
        out += look.utf8 ? span.text : to_ascii(span.text);
        if (!start.empty()) out += "\x1b[0m";
    }
    return out;
}

}  // namespace

std::size_t columns_of(const Line& line) {
    std::size_t sum = 0;
    for (const Span& span : line) sum += columns(span.text);
    return sum;
}

void fit(Line& line, std::size_t room) {
    std::size_t used = 0;
    for (Span& span : line) {
        span.text = clip(span.text, room - used);
        used += columns(span.text);
    }
}

std::string to_text(const std::vector<Line>& lines, const Look& look, bool bare) {
    std::string out;
    for (const Line& line : lines) out += line_text(line, look, bare) + '\n';
    return out;
}

std::string to_frame(const std::vector<Line>& lines, const Look& look) {
    std::string out = "\x1b[H";
    for (std::size_t i = 0; i < lines.size(); ++i) {
        out += line_text(lines[i], look, false);
        out += "\x1b[K";
        if (i + 1 < lines.size()) out += "\r\n";
    }
    return out + "\x1b[J";
}

}  // namespace dekeyd::ctl
