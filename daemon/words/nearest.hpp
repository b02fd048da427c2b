// The right word nearest to a wrong one.
#pragma once

#include <cstddef>
#include <optional>
#include <span>
#include <string_view>

namespace dekeyd::formats {

/// Insertions, deletions, replacements and swaps of neighbours between two words (at most 64 bytes of each are seen).
std::size_t edit_distance(std::string_view a, std::string_view b);

/// The nearest of `words`, where one is near enough to be meant: a third of the word's length, at least one.
/// Hyphens, underscores, blanks and capitals count as equal.
std::optional<std::string_view> nearest(std::string_view word, std::span<const std::string_view> words);

}  // namespace dekeyd::formats
