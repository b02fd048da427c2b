#include "words/nearest.hpp"

#include <algorithm>
#include <array>
#include <string>

namespace dekeyd::formats {
namespace {

constexpr std::size_t longest_word = 64;

std::string plain(std::string_view word) {
    std::string result{word.substr(0, longest_word)};
    for (char& c : result) {
        if (c >= 'A' && c <= 'Z') c = static_cast<char>(c - 'A' + 'a');
        if (c == '_' || c == ' ') c = '-';
    }
    return result;
}

}  // namespace

std::size_t edit_distance(std::string_view a, std::string_view b) {
    a = a.substr(0, longest_word);
    b = b.substr(0, longest_word);
    std::array<std::array<std::size_t, longest_word + 1>, longest_word + 1> cost{};
    for (std::size_t i = 0; i <= a.size(); ++i) cost[i][0] = i;
    for (std::size_t j = 0; j <= b.size(); ++j) cost[0][j] = j;
    for (std::size_t i = 1; i <= a.size(); ++i) {
        for (std::size_t j = 1; j <= b.size(); ++j) {
            const std::size_t change = a[i - 1] == b[j - 1] ? 0 : 1;
            cost[i][j] = std::min({cost[i - 1][j] + 1, cost[i][j - 1] + 1, cost[i - 1][j - 1] + change});
            if (i > 1 && j > 1 && a[i - 1] == b[j - 2] && a[i - 2] == b[j - 1])
                cost[i][j] = std::min(cost[i][j], cost[i - 2][j - 2] + 1);
        }
    }
    return cost[a.size()][b.size()];
}

std::optional<std::string_view> nearest(std::string_view word, std::span<const std::string_view> words) {
    const std::string wanted = plain(word);
    std::optional<std::string_view> best;
    std::size_t best_distance = longest_word + 1;
    for (const std::string_view candidate : words) {
        const auto [shorter, longer] = std::minmax({wanted.size(), candidate.size()});
        const std::size_t allowed = std::max<std::size_t>(1, longer / 3);
        if (longer - shorter > allowed) continue;  // so many letters are missing at least
        const std::size_t distance = edit_distance(wanted, plain(candidate));
        if (distance <= allowed && distance < best_distance) {
            best = candidate;
            best_distance = distance;
        }
    }
    return best;
}

}  // namespace dekeyd::formats
