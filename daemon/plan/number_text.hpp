// A number that stands alone in a text of our own.
#pragma once

#include <charconv>
#include <concepts>
#include <optional>
#include <string_view>
#include <system_error>

namespace dekeyd::core {

/// All of `text` as a number; nothing where it is none, has more than one or is beyond what a T holds.
template <class T>
[[nodiscard]] std::optional<T> to_number(std::string_view text) noexcept {
    T value{};
    const auto [end, error] = std::from_chars(text.data(), text.data() + text.size(), value);
    return error == std::errc{} && end == text.data() + text.size() ? std::optional{value} : std::nullopt;
}

/// The same of hexadecimal digits.
template <std::unsigned_integral T>
[[nodiscard]] std::optional<T> to_hexadecimal(std::string_view text) noexcept {
    constexpr int base = 16;
    T value{};
    const auto [end, error] = std::from_chars(text.data(), text.data() + text.size(), value, base);
    return error == std::errc{} && end == text.data() + text.size() ? std::optional{value} : std::nullopt;
}

}  // namespace dekeyd::core
