#include "dekeyctl/explain/key_reference.hpp"

#include <fmt/format.h>
#include <fmt/ranges.h>

#include <algorithm>

namespace dekeyd::ctl {
namespace {

using formats::Dimension;
using formats::KeyKind;
using formats::KeyRow;
using formats::RangeRow;

std::string ends_of(const RangeRow& row) {
    const auto written = [&](double value) { return formats::show(value, row.dimension); };
    std::string words = fmt::format("{} to {}", written(row.lowest), written(row.highest));
    if (row.compared == formats::Compared::size) words += " of either sign";
    if (row.can_be_accepted()) words += fmt::format(" (accepted: {} to {})", written(row.least), written(row.most));
    return words;
}

std::string words_of(const KeyRow& row) {
    std::vector<std::string_view> words;
    for (const formats::Word& word : row.words) words.push_back(word.text);
    return fmt::format("{}", fmt::join(words, ", "));
}

std::string kinds_in_words(std::string_view of) {
    std::string words{of};
    std::size_t at = 0;
    while ((at = words.find(' ', at)) != std::string::npos) {
        words.replace(at, 1, ", ");
        at += 2;
    }
    return words;
}

std::string what_of(const KeyRow& row) {
    switch (row.kind) {
        case KeyKind::section: return "A section";
        case KeyKind::named: return "Sections under names of yours";
        case KeyKind::sections: return "A list of sections";
        case KeyKind::texts: return row.words.empty() ? "A list of words" : "A list of: " + words_of(row);
        case KeyKind::quantity: return std::string{formats::name_of(row.dimension)};
        case KeyKind::time: return std::string{formats::name_of(Dimension::time)};
        case KeyKind::range: return std::string{"Two ends, each "} + std::string{formats::name_of(row.dimension)};
        case KeyKind::level:
            return row.words.empty() ? "A value with its unit" : "A value with its unit, or one of: " + words_of(row);
        case KeyKind::levels: return "Two ends with their unit, such as 0.35 V .. 2.2 V";
        case KeyKind::whole: return "A whole number";
        case KeyKind::text: return "A text";
        case KeyKind::id: return "A name of a-z, 0-9 and hyphens";
        case KeyKind::path: return "An absolute path";
        case KeyKind::flag: return "yes or no";
        case KeyKind::word: return "One of: " + words_of(row);
        case KeyKind::name: return "A name";
    }
    return {};
}

}  // namespace

std::string_view name_of_key(const KeyRow& row) {
    return row.path.substr(row.path.rfind('.') + 1);
}

std::vector<std::string> paths_of_key(const KeyRow& row) {
    std::vector<std::string> all;
    const std::size_t dot = std::min(row.path.find('.'), row.path.size());
    std::string_view first = row.path.substr(0, dot);
    while (!first.empty()) {
        const std::string_view one = first.substr(0, first.find('|'));
        all.push_back(std::string{one} + std::string{row.path.substr(dot)});
        first.remove_prefix(std::min(one.size() + 1, first.size()));
    }
    return all;
}

std::vector<const RangeRow*> ranges_of_key(const KeyRow& row) {
    std::vector<const RangeRow*> ranges;
    for (const RangeRow& range : formats::range_rows()) {
        const bool own = range.of.empty() || row.of.empty() || row.of == range.of || !row.by_kind.empty();
        if (own && formats::fits(range.path, row.path)) ranges.push_back(&range);
    }
    return ranges;
}

std::string need_of_key(const KeyRow& row) {
    const std::string when = row.when.empty() ? "" : ' ' + std::string{row.when};
    const std::string of = row.of.empty() ? "" : " of " + kinds_in_words(row.of);
    return (row.need == formats::Need::required ? "Required" : "Optional") + of + when;
}

std::string value_of_key(const KeyRow& row) {
    std::string words = what_of(row);
    if (!words.empty() && words.front() >= 'a' && words.front() <= 'z' && row.kind != KeyKind::flag)
        words.front() = static_cast<char>(words.front() - 'a' + 'A');
    const auto ranges = ranges_of_key(row);
    if (ranges.size() == 1 && (ranges.front()->of.empty() || ranges.front()->of == row.of))
        return words + ", " + ends_of(*ranges.front());
    std::string kinds;
    for (const RangeRow* const range : ranges) {
        const std::string of =
            range->of.empty() ? std::string{formats::name_of(range->dimension)} : kinds_in_words(range->of);
        kinds += fmt::format("{}{}: {}", kinds.empty() ? "; " : "; ", of, ends_of(*range));
    }
    return words + kinds;
}

std::string default_of_key(const KeyRow& row) {
    if (!row.usual.empty()) return "Default: " + std::string{row.usual};
    return row.usual_words.empty() ? "" : "Default: " + std::string{row.usual_words};
}

}  // namespace dekeyd::ctl
