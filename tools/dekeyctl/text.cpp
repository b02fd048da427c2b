#include "dekeyctl/text.hpp"

#include <fmt/format.h>

#include <array>
#include <cmath>
#include <cstdint>
#include <utility>

#include "plan/reading.hpp"

namespace dekeyd::ctl {
namespace {

constexpr char32_t broken = 0xfffd;

struct Character {
    char32_t code = broken;
    std::size_t bytes = 1;
};

// Strict UTF-8: over-long forms, surrogates and values past U+10FFFF are broken, one byte at a time.
Character decode(std::string_view text) {
    const auto byte = [&](std::size_t i) { return static_cast<unsigned char>(text[i]); };
    const unsigned lead = byte(0);
    if (lead < 0x80) return {lead, 1};
    const std::size_t bytes = lead >= 0xf0 ? 4 : lead >= 0xe0 ? 3 : 2;
    if (lead < 0xc2 || lead > 0xf4 || text.size() < bytes) return {};
    char32_t code = lead & (0xffU >> (bytes + 1));
    for (std::size_t i = 1; i < bytes; ++i) {
        if ((byte(i) & 0xc0U) != 0x80U) return {};
        code = (code << 6U) | (byte(i) & 0x3fU);
    }
    constexpr std::array<char32_t, 5> least{0, 0, 0x80, 0x800, 0x10000};
    if (code < least[bytes] || code > 0x10ffff || (code >= 0xd800 && code < 0xe000)) return {};
    return {code, bytes};
}

bool is_control(char32_t code) {
    // C0, DEL, C1, and the signs that turn the writing direction round.
    return code < 0x20 || (code >= 0x7f && code < 0xa0) || code == 0x200e || code == 0x200f ||
           (code >= 0x2028 && code <= 0x202e) || (code >= 0x2066 && code <= 0x2069) || code == broken;
}

std::size_t width_of(char32_t code) {
    if ((code >= 0x300 && code < 0x370) || (code >= 0x1ab0 && code < 0x1b00) || (code >= 0x20d0 && code < 0x2100) ||
        code == 0x200b || code == 0x200d || (code >= 0xfe00 && code < 0xfe10))
        return 0;
    const bool wide = (code >= 0x1100 && code < 0x1160) || (code >= 0x2e80 && code < 0xa4d0) ||
                      (code >= 0xac00 && code < 0xd7a4) || (code >= 0xf900 && code < 0xfb00) ||
                      (code >= 0xfe30 && code < 0xfe70) || (code >= 0xff00 && code < 0xff61) ||
                      (code >= 0xffe0 && code < 0xffe7) || (code >= 0x1f300 && code < 0x1f650) ||
                      (code >= 0x1f900 && code < 0x1fa00) || (code >= 0x20000 && code < 0x3fffe);
    return wide ? 2 : 1;
}

// Calls use(code, bytes as text) for each character.
template <class Use>
void each_character(std::string_view text, Use use) {
    while (!text.empty()) {
        const Character character = decode(text);
        use(character.code, text.substr(0, character.bytes));
        text.remove_prefix(character.bytes);
    }
}

// The longest beginning that takes at most `room` columns.
std::string_view beginning(std::string_view text, std::size_t room) {
    std::size_t used = 0, bytes = 0;
    bool full = false;
    each_character(text, [&](char32_t code, std::string_view own) {
        full = full || used + width_of(code) > room;
        if (full) return;
        used += width_of(code);
        bytes += own.size();
    });
    return text.substr(0, bytes);
}

}  // namespace

std::string printable(std::string_view text) {
    std::string out;
    each_character(text, [&](char32_t code, std::string_view own) {
        if (is_control(code))
            out += '?';
        else
            out += own;
    });
    return out;
}

std::size_t columns(std::string_view text) {
    std::size_t sum = 0;
    each_character(text, [&](char32_t code, std::string_view) { sum += width_of(code); });
    return sum;
}

std::string clip(std::string_view text, std::size_t room) {
    if (columns(text) <= room) return std::string{text};
    if (room == 0) return {};
    return std::string{beginning(text, room - 1)} + '~';
}

std::string pad_right(std::string_view text, std::size_t room) {
    std::string out = clip(text, room);
    out.append(room - columns(out), ' ');
    return out;
}

std::string pad_left(std::string_view text, std::size_t room) {
    const std::string own = clip(text, room);
    return std::string(room - columns(own), ' ') + own;
}

std::vector<std::string> wrap(std::string_view text, std::size_t room) {
    std::vector<std::string> lines{std::string{}};
    while (!text.empty()) {
        const std::size_t end = text.find(' ');
        const std::string word = clip(text.substr(0, end), room);
        text.remove_prefix(end == std::string_view::npos ? text.size() : end + 1);
        if (word.empty()) continue;
        if (lines.back().empty())
            lines.back() = word;
        else if (columns(lines.back()) + 1 + columns(word) <= room)
            lines.back() += ' ' + word;
        else
            lines.push_back(word);
    }
    return lines;
}

std::string to_ascii(std::string_view text) {
    constexpr std::array<std::pair<char32_t, std::string_view>, 15> signs{{{U'°', "deg"},
                                                                           {U'━', "="},
                                                                           {U'─', "-"},
                                                                           {U'●', "o"},
                                                                           {U'◆', "X"},
                                                                           {U'▶', ">"},
                                                                           {U'◀', "<"},
                                                                           {U'·', "-"},
                                                                           {U'…', ".."},
                                                                           {U'≤', "<="},
                                                                           {U'≥', ">="},
                                                                           {U'–', "-"},
                                                                           {U'Γ', "Gamma"},
                                                                           {U'±', "+-"},
                                                                           {U'Ω', "ohm"}}};
    std::string out;
    each_character(text, [&](char32_t code, std::string_view own) {
        if (code < 0x80) {
            out += own;
            return;
        }
        for (const auto& [sign, ascii] : signs)
            if (sign == code) {
                out += ascii;
                return;
            }
        out += '?';
    });
    return out;
}

std::string counted(std::size_t number, std::string_view thing) {
    return fmt::format("{} {}{}", number, thing, number == 1 ? "" : "s");
}

std::string time_words(double seconds) {
    if (!std::isfinite(seconds)) return "?";
    seconds = std::max(seconds, 0.0);
    if (seconds < 0.9995) return fmt::format("{:.0f} ms", seconds * 1000.0);
    if (seconds < 9.95) return fmt::format("{:.1f} s", seconds);
    if (seconds >= 1.0e12) return "very long";
    const auto whole = static_cast<std::int64_t>(std::llround(seconds));
    if (whole < 60) return fmt::format("{} s", whole);
    if (whole < 3600) return fmt::format("{} min {} s", whole / 60, whole % 60);
    if (whole < 86400) return fmt::format("{} h {} min", whole / 3600, whole / 60 % 60);
    return fmt::format("{} d {} h", whole / 86400, whole / 3600 % 24);
}

}  // namespace dekeyd::ctl
