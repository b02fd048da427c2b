// Reading by the key's row.
#include <stdexcept>

#include "configuration/section.hpp"

namespace dekeyd::formats {

const KeyRow& Section::row(std::string_view key) const {
    const std::string path = path_of(key);
    const KeyRow* const found = find_key(report_.keys, path, of_);
    if (found == nullptr) throw std::logic_error{fmt::format("the key '{}' has no row", path)};
    return *found;
}

std::optional<double> Section::quantity(std::string_view key, std::optional<Need> need) {
    const KeyRow& of = row(key);
    return quantity(key, of.dimension, need.value_or(of.need), of.sign);
}

std::optional<core::Duration> Section::duration(std::string_view key, std::optional<Need> need) {
    const KeyRow& of = row(key);
    return duration(key, need.value_or(of.need), of.sign == Sign::any ? Sign::positive : of.sign);
}

std::optional<Range> Section::range(std::string_view key) {
    const KeyRow& of = row(key);
    return range(key, of.dimension, of.need);
}

std::optional<std::string> Section::text(std::string_view key) {
    return text(key, row(key).need);
}

std::optional<std::string> Section::id(std::string_view key) {
    return id(key, row(key).need);
}

std::optional<std::string> Section::absolute_path(std::string_view key) {
    return absolute_path(key, row(key).need);
}

std::optional<bool> Section::flag(std::string_view key) {
    return flag(key, row(key).need);
}

std::optional<long> Section::whole(std::string_view key) {
    return whole(key, row(key).need);
}

std::optional<int> Section::word(std::string_view key) {
    const KeyRow& of = row(key);
    return choice(key, of.words, of.need);
}

std::optional<std::string> Section::scalar(std::string_view key) {
    return scalar(key, row(key).need);
}

Section Section::section(std::string_view key) {
    return section(key, row(key).need);
}

const Node* Section::list(std::string_view key) {
    return list(key, row(key).need);
}

double Section::usual(std::string_view key) const {
    const KeyRow& of = row(key);
    const Quantity value = parse_quantity(of.usual, of.kind == KeyKind::time ? Dimension::time : of.dimension);
    if (!value.good()) throw std::logic_error{fmt::format("the row of '{}' has no usual value", path_of(key))};
    return value.value;
}

core::Duration Section::usual_time(std::string_view key) const {
    return to_duration(usual(key));
}

int Section::usual_word(std::string_view key) const {
    const KeyRow& of = row(key);
    const std::span<const Word> words = of.kind == KeyKind::flag ? yes_and_no_words : of.words;
    for (const Word& word : words)
        if (word.text == of.usual) return word.value;
    throw std::logic_error{fmt::format("the row of '{}' has no usual word", path_of(key))};
}

bool Section::flag_or_usual(std::string_view key) {
    return flag(key).value_or(usual_word(key) != 0);
}

namespace {

/// Nothing where the key is absent or at fault, and has no usual value.
std::optional<Given> value_of(Section& section, const KeyRow& row, std::string_view key, Draft& draft) {
    Given given{.draft = draft};
    const bool usual = !row.usual.empty();
    const auto take = [&](auto& into, auto value, auto otherwise) {
        if (!value && !usual) return false;
        into = value ? *value : otherwise();
        return true;
    };
    bool there = false;
    switch (row.kind) {
        case KeyKind::quantity:
            there = take(given.number, section.quantity(key), [&] { return section.usual(key); });
            break;
        case KeyKind::time:
            there = take(given.time, section.duration(key), [&] { return section.usual_time(key); });
            break;
        case KeyKind::whole: {
            const auto value = section.whole(key);
            there = take(given.number, value ? std::optional{static_cast<double>(*value)} : std::nullopt,
                         [&] { return section.usual(key); });
            break;
        }
        case KeyKind::flag: there = take(given.word, section.flag(key), [&] { return section.usual_word(key); }); break;
        case KeyKind::word: there = take(given.word, section.word(key), [&] { return section.usual_word(key); }); break;
        case KeyKind::text:
        case KeyKind::id:
        case KeyKind::path: {
            const auto value = row.kind == KeyKind::text ? section.text(key)
                               : row.kind == KeyKind::id ? section.id(key)
                                                         : section.absolute_path(key);
            there = take(given.text, value, [&] { return std::string{row.usual}; });
            break;
        }
        default: throw std::logic_error{fmt::format("the row of '{}' can't say where it goes", row.path)};
    }
    return there ? std::optional{std::move(given)} : std::nullopt;
}

}  // namespace

void read_keys(Section& section, Draft& draft) {
    for (const KeyRow& row : section.keys()) {
        const std::size_t dot = row.path.rfind('.');
        if (row.into == nullptr || dot == std::string_view::npos || !fits(row.path.substr(0, dot), section.path()))
            continue;
        if (!row.of.empty() && !one_of(row.of, ' ', section.of())) continue;
        if (const auto given = value_of(section, row, row.path.substr(dot + 1), draft)) row.into(*given);
    }
}

}  // namespace dekeyd::formats
