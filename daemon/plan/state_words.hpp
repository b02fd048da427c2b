// The state of objects as words and back: what a capture starts from. Only for what runs beside the guard; it
// allocates.
//
// A class that has state says so once, for both directions:
//     template <class Archive, class Self> static void fields(Archive& a, Self& self) { a(self.x_, self.y_); }
// Constants that a plan gives are no state and are left out, so that a state can be taken up under another plan.
#pragma once

#include <array>
#include <charconv>
#include <concepts>
#include <cstdint>
#include <optional>
#include <string>
#include <string_view>
#include <type_traits>
#include <vector>

#include "plan/number_text.hpp"
#include "plan/time.hpp"

namespace dekeyd::core {

/// Appends each value as a blank and a word; numbers in the shortest form that reads back as the same bits.
class StateWriter {
public:
    explicit StateWriter(std::string& out) noexcept : out_{out} {}
    template <class... T>
    void operator()(const T&... values) {
        (put(values), ...);
    }

private:
    void word(std::string_view text) { out_.append(1, ' ').append(text); }
    template <class T>
    void number(T value) {
        std::array<char, 32> digits{};
        const auto end = std::to_chars(digits.data(), digits.data() + digits.size(), value).ptr;
        word({digits.data(), static_cast<std::size_t>(end - digits.data())});
    }
    void put(double value) { number(value); }
    void put(bool value) { word(value ? "1" : "0"); }
    void put(Duration value) { number(value.count()); }
    void put(Instant value) { number(value.time_since_epoch().count()); }
    template <std::integral T>
    void put(T value) {
        if constexpr (std::is_signed_v<T>) {
            number(static_cast<std::int64_t>(value));
        } else {
            number(static_cast<std::uint64_t>(value));
        }
    }
    template <class T>
    requires std::is_enum_v<T>
    void put(T value) { put(static_cast<std::underlying_type_t<T>>(value)); }
    template <class T>
    void put(const std::optional<T>& value) {
        if (value) {
            put(*value);
        } else {
            word("-");
        }
    }
    template <class T, std::size_t n>
    void put(const std::array<T, n>& values) {
        for (const T& value : values) put(value);
    }
    template <class T>
    void put(const std::vector<T>& values) {
        put(values.size());
        for (const T& value : values) put(value);
    }
    template <class T>
    requires requires(StateWriter& a, const T& value) { T::fields(a, value); }
    void put(const T& value) { T::fields(*this, value); }

    std::string& out_;
};

/// Takes words back in the order in which they were written. What doesn't fit leaves complete() false.
class StateReader {
public:
    explicit StateReader(std::string_view words) noexcept : left_{words} {}
    template <class... T>
    void operator()(T&... values) {
        (take(values), ...);
    }
    /// Nothing went wrong, and nothing is left over.
    [[nodiscard]] bool complete() noexcept { return good_ && next().empty(); }

private:
    std::string_view next() noexcept {
        const std::size_t begin = left_.find_first_not_of(' ');
        if (begin == std::string_view::npos) return left_ = {};
        left_.remove_prefix(begin);
        const std::string_view found = left_.substr(0, left_.find(' '));
        left_.remove_prefix(found.size());
        return found;
    }
    template <class T>
    T number() noexcept {
        const auto value = to_number<T>(next());
        if (!value) good_ = false;
        return value.value_or(T{});
    }
    void take(double& value) noexcept { value = number<double>(); }
    /// Beyond it core can't do sums: such a text isn't one of ours.
    void take(bool& value) noexcept { value = number<int>() != 0; }
    std::int64_t nanoseconds() noexcept {
        constexpr std::int64_t largest = std::int64_t{1} << 61U;
        const auto ns = number<std::int64_t>();
        if (ns >= -largest && ns <= largest) return ns;
        good_ = false;
        return 0;
    }
    void take(Duration& value) noexcept { value = Duration{nanoseconds()}; }
    void take(Instant& value) noexcept { value = Instant{Duration{nanoseconds()}}; }
    template <std::integral T>
    void take(T& value) noexcept {
        value = number<T>();
    }
    template <class T>
    requires std::is_enum_v<T>
    void take(T& value) noexcept { value = static_cast<T>(number<std::underlying_type_t<T>>()); }
    template <class T>
    void take(std::optional<T>& value) noexcept {
        const std::string_view before = left_;
        if (next() == "-") return value.reset();
        left_ = before;
        T held{};
        take(held);
        value = held;
    }
    template <class T, std::size_t n>
    void take(std::array<T, n>& values) noexcept {
        for (T& value : values) take(value);
    }
    /// It has the size that a plan gives it; another one isn't one of ours.
    template <class T>
    void take(std::vector<T>& values) noexcept {
        if (number<std::size_t>() != values.size()) good_ = false;
        for (std::size_t i = 0; good_ && i < values.size(); ++i) {
            T value{};
            take(value);
            values[i] = value;
        }
    }
    template <class T>
    requires requires(StateReader& a, T& value) { T::fields(a, value); }
    void take(T& value) noexcept { T::fields(*this, value); }

    std::string_view left_;
    bool good_ = true;
};

}  // namespace dekeyd::core
