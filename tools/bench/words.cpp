#include "bench/words.hpp"

#include <charconv>
#include <cmath>

namespace bench {

std::vector<std::string_view> split(std::string_view text) {
    std::vector<std::string_view> words;
    constexpr std::string_view blanks = " \t\r";
    for (std::size_t from = text.find_first_not_of(blanks); from != std::string_view::npos;) {
        const std::size_t to = text.find_first_of(blanks, from);
        words.push_back(text.substr(from, to == std::string_view::npos ? to : to - from));
        from = text.find_first_not_of(blanks, to == std::string_view::npos ? text.size() : to);
    }
    return words;
}

std::string join(const std::vector<std::string_view>& words) {
    std::string text;
    for (const std::string_view word : words) {
        if (!text.empty()) text += ' ';
        text += word;
    }
    return text;
}

std::optional<double> quantity(const std::vector<std::string_view>& words, std::size_t at, std::string_view unit) {
    if (at >= words.size()) return std::nullopt;
    const std::string_view word = words[at];
    double value = 0.0;
    const auto [end, error] =
        std::from_chars(word.data(), word.data() + word.size(), value, std::chars_format::general);
    if (error != std::errc{} || !std::isfinite(value)) return std::nullopt;
    const std::string_view rest = word.substr(static_cast<std::size_t>(end - word.data()));
    const std::size_t after = words.size() - at - 1;
    if (rest.empty() && after == 0) return value;
    if (unit.empty()) return std::nullopt;
    if (rest == unit && after == 0) return value;
    if (rest.empty() && after == 1 && words[at + 1] == unit) return value;
    return std::nullopt;
}

}  // namespace bench
