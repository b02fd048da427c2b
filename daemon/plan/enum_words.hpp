// The words of an enumeration: one table each, read both ways.
#pragma once

#include <array>
#include <cstddef>
#include <optional>
#include <string_view>

namespace dekeyd::core {

/// One word for each value of an enumeration that counts from 0 to `last`, in its order. A table with a word too few
/// does not compile.
template <auto last>
class Words {
public:
    using Enum = decltype(last);
    static constexpr std::size_t size = static_cast<std::size_t>(last) + 1;

    template <class... Texts>
    explicit constexpr Words(Texts... texts) noexcept : texts_{texts...} {
        static_assert(sizeof...(texts) == size, "one word for each value");
    }

    /// "unknown" for a value that the enumeration does not have.
    [[nodiscard]] constexpr std::string_view of(Enum value) const noexcept {
        const auto place = static_cast<std::size_t>(value);
        return place < size ? texts_[place] : "unknown";
    }

    /// The value with this word, if there is one. A word that two values share gives the first.
    [[nodiscard]] constexpr std::optional<Enum> find(std::string_view text) const noexcept {
        for (std::size_t place = 0; place < size; ++place) {
            if (texts_[place] == text) return static_cast<Enum>(place);
        }
        return std::nullopt;
    }

    /// All words, in the enumeration's order.
    [[nodiscard]] constexpr const std::array<std::string_view, size>& all() const noexcept { return texts_; }

private:
    std::array<std::string_view, size> texts_;
};

}  // namespace dekeyd::core
