#include "words/notes.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <array>
namespace dekeyd::formats {
namespace {

bool goes_on(char c) noexcept {
    return (static_cast<unsigned char>(c) & 0xc0U) == 0x80U;
}

/// Bytes of the character at the front of `text` (RFC 3629, without overlong forms, surrogates and what is beyond
/// U+10FFFF); 0: there is none.
std::size_t character(std::string_view text) noexcept {
    struct Lead {
        unsigned char first, last, least, most;  ///< of the first byte, and of the second
        std::size_t size;
    };
    constexpr std::array leads{Lead{0xc2, 0xdf, 0x80, 0xbf, 2}, Lead{0xe0, 0xe0, 0xa0, 0xbf, 3},
                               Lead{0xe1, 0xec, 0x80, 0xbf, 3}, Lead{0xed, 0xed, 0x80, 0x9f, 3},
                               Lead{0xee, 0xef, 0x80, 0xbf, 3}, Lead{0xf0, 0xf0, 0x90, 0xbf, 4},
                               Lead{0xf1, 0xf3, 0x80, 0xbf, 4}, Lead{0xf4, 0xf4, 0x80, 0x8f, 4}};
    const auto byte = static_cast<unsigned char>(text.front());
    if (byte < 0x80) return 1;
    for (const Lead& lead : leads) {
        if (byte < lead.first || byte > lead.last || text.size() < lead.size) continue;
        const auto second = static_cast<unsigned char>(text[1]);
        const std::string_view rest = text.substr(2, lead.size - 2);
        const bool whole =
            second >= lead.least && second <= lead.most && std::all_of(rest.begin(), rest.end(), goes_on);
        return whole ? lead.size : 0;
    }
    return 0;
}

/// U+0080 to U+009F are control characters as well; U+2028 and U+2029 end lines, and U+202A to U+202E and U+2066 to
/// U+2069 turn the direction of what follows.
bool controls(std::string_view one) noexcept {
    const auto byte = [&](std::size_t i) { return static_cast<unsigned char>(one[i]); };
    if (one.size() == 1) return byte(0) < 0x20 || byte(0) == 0x7f;
    if (one.size() == 2) return byte(0) == 0xc2 && byte(1) < 0xa0;
    if (one.size() != 3 || byte(0) != 0xe2) return false;
    return (byte(1) == 0x80 && byte(2) >= 0xa8 && byte(2) <= 0xae) ||
           (byte(1) == 0x81 && byte(2) >= 0xa6 && byte(2) <= 0xa9);
}

}  // namespace

Note note_of(const WallStamp& stamp) {
    return {.at_s = std::chrono::duration_cast<std::chrono::seconds>(stamp.since_1970).count(),
            .synchronised = stamp.synchronised};
}

std::string reason_of_bytes(std::string_view bytes) {
    std::string reason;
    while (!bytes.empty()) {
        const std::size_t size = character(bytes);
        const std::string_view one = bytes.substr(0, std::max<std::size_t>(size, 1));
        const std::string_view shown = size == 0 ? "?" : controls(one) ? " " : one;
        if (reason.size() + shown.size() > longest_reason) break;
        if (!(reason.empty() && shown == " ")) reason.append(shown);
        bytes.remove_prefix(one.size());
    }
    while (!reason.empty() && reason.back() == ' ') reason.pop_back();
    return reason;
}

std::string time_of(const Note& note, std::chrono::nanoseconds now) {
    if (note.at_s <= 0) return {};
    // "2026-03-01T07:08:09.123Z"
    const std::string then = to_iso(std::chrono::seconds{note.at_s});
    const std::string date = then.substr(0, 10);
    const std::string day = to_iso(now).substr(0, 10) == date ? "" : date + " ";
    return fmt::format("{}{} UTC{}", day, then.substr(11, 5), note.synchronised ? "" : " by a clock that was not set");
}

Note asked_again(Note standing, const Note& again) {
    if (standing.at_start || standing.at_s == 0) return again;
    if (standing.reason.empty())
        standing.reason = again.reason;
    else if (standing.reason.find(again.reason) == std::string::npos)
        standing.reason = reason_of_bytes(standing.reason + "; " + again.reason);
    return standing;
}

std::string with_reason(std::string sentence, std::string_view reason) {
    if (reason.empty()) return sentence;
    if (sentence.ends_with('.')) sentence.pop_back();
    return fmt::format("{}: '{}'.", sentence, reason);
}

std::string hold_in_words(const Note& note, bool local, std::chrono::nanoseconds now) {
    const std::string time = time_of(note, now);
    if (note.at_start) {
        return fmt::format("Held since the start{}{}, as 'after_start: held' asks, until an operator's release.",
                           time.empty() ? "" : " at ", time);
    }
    const std::string since = time.empty() ? "" : " since " + time;
    const std::string why = note.reason.empty() ? ", no reason given" : fmt::format(": '{}'", note.reason);
    return fmt::format("Held {}{}{}; {}.", local ? "at the amplifier" : "over the network", since, why,
                       local ? "released only there" : "any operator's release ends it");
}

}  // namespace dekeyd::formats
