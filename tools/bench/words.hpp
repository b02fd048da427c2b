// The command language's words and numbers. Locale-free.
#pragma once

#include <optional>
#include <string>
#include <string_view>
#include <vector>

namespace bench {

std::vector<std::string_view> split(std::string_view text);  ///< at blanks and tabs
std::string join(const std::vector<std::string_view>& words);
/// words[at] as a finite number; the unit may follow as a part of it or as the next word, or be left out. Nothing may
/// follow. An empty unit: a bare number.
std::optional<double> quantity(const std::vector<std::string_view>& words, std::size_t at, std::string_view unit);

}  // namespace bench
