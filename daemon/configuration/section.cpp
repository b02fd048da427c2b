#include "configuration/section.hpp"

#include <algorithm>
#include <cmath>

#include "configuration/checks/ranges.hpp"
#include "plan/number_text.hpp"
#include "words/nearest.hpp"

namespace dekeyd::formats {
namespace {

std::string_view kind_words(Node::Kind kind) {
    switch (kind) {
        case Node::Kind::null: return "nothing";
        case Node::Kind::scalar: return "one value";
        case Node::Kind::sequence: return "a list";
        case Node::Kind::map: return "a section";
    }
    return "something else";
}

bool begins_as_number(std::string_view text) {
    return !text.empty() && ((text.front() >= '0' && text.front() <= '9') || text.front() == '-');
}

}  // namespace

void Report::fault(Place place, std::string key, std::string what, std::string expected) {
    faults_.push_back({.line = place.line,
                       .column = place.column,
                       .key = std::move(key),
                       .what = std::move(what),
                       .expected = std::move(expected)});
}

void Report::advise(Place place, std::string key, std::string what) {
    advice_.push_back({.line = place.line, .key = std::move(key), .what = std::move(what)});
}

void Report::accept(std::string word, Place place) {
    words_.push_back({std::move(word), place});
}

void Report::fault_unless_accepted(Place place, std::string key, const std::string& word, std::string what,
                                   std::string expected) {
    const auto given = std::find_if(words_.begin(), words_.end(), [&](const Word& w) { return w.text == word; });
    if (given != words_.end()) {
        given->used = true;
        accepted_.push_back({word, std::move(what)});
        return;
    }
    proposed_.push_back(word);
    fault(place, std::move(key), std::move(what),
          fmt::format("{}; or, where it is meant, 'accept: [{}]' at the top level", expected, word));
}

bool Report::has_fault(std::string_view key) const {
    return std::any_of(faults_.begin(), faults_.end(), [&](const Fault& fault) { return fault.key == key; });
}

void Report::finish_accepted() {
    // Other faults may hide what a word is for.
    if (bench || faults_.size() > proposed_.size()) return;
    for (const Word& word : words_) {
        if (word.used) continue;
        const std::vector<std::string_view> proposed{proposed_.begin(), proposed_.end()};
        const auto near = nearest(word.text, proposed);
        fault(
            word.place, "accept", fmt::format("'{}': nothing here needs it", shortened(word.text)),
            near ? fmt::format("did you mean '{}'?", *near) : "the word removed; faults name the words that they need");
    }
}

std::string wrong_with_id(std::string_view text) {
    constexpr std::size_t longest = 40;
    if (text.empty()) return "an empty name";
    if (text.size() > longest) return fmt::format("a name of {} characters", text.size());
    const bool good = std::all_of(text.begin(), text.end(),
                                  [](char c) { return (c >= 'a' && c <= 'z') || (c >= '0' && c <= '9') || c == '-'; });
    if (!good || text.front() == '-' || text.back() == '-') return fmt::format("'{}' is no id", shortened(text));
    return {};
}

Section::Section(const Node* node, Place place, std::string path, Report& report)
    : node_{node}, place_{place}, path_{std::move(path)}, report_{report} {
    if (node_ == nullptr || node_->kind == Node::Kind::map) return;
    report_.fault(node_->kind == Node::Kind::null ? place_ : node_->place, path_,
                  fmt::format("{} where a section was expected", kind_words(node_->kind)),
                  "'key: value' lines, indented, or {key: value, …}");
    node_ = nullptr;
}

std::string Section::path_of(std::string_view key) const {
    return path_.empty() ? std::string{key} : fmt::format("{}.{}", path_, key);
}

Place Section::place_of(std::string_view key) const noexcept {
    if (node_ == nullptr) return place_;
    for (const Entry& entry : node_->entries) {
        if (entry.key == key) return entry.value.kind == Node::Kind::null ? entry.place : entry.value.place;
    }
    return place_;
}

bool Section::has(std::string_view key) const noexcept {
    return node_ != nullptr && std::any_of(node_->entries.begin(), node_->entries.end(),
                                           [key](const Entry& entry) { return entry.key == key; });
}

const Entry* Section::find(std::string_view key, Need need) {
    if (!report_.keys.empty()) static_cast<void>(row(key));
    if (std::find(known_.begin(), known_.end(), key) == known_.end()) known_.push_back(key);
    if (node_ == nullptr) return nullptr;
    for (const Entry& entry : node_->entries) {
        if (entry.key == key) return &entry;
    }
    if (need == Need::required) missing_.push_back(key);
    return nullptr;
}

std::optional<std::string> Section::scalar(std::string_view key, Need need) {
    const Entry* entry = find(key, need);
    if (entry == nullptr) return std::nullopt;
    if (entry->value.kind == Node::Kind::scalar) return entry->value.text;
    if (entry->value.kind == Node::Kind::null) {
        fault(key, fmt::format("'{}' has no value", key), "a value after the colon and a blank");
    } else {
        fault(key, fmt::format("{} where one value was expected", kind_words(entry->value.kind)),
              fmt::format("'{}: value'", key));
    }
    return std::nullopt;
}

void Section::fault(std::string_view key, std::string what, std::string expected) {
    report_.fault(place_of(key), path_of(key), std::move(what), std::move(expected));
}

void Section::allow(std::string_view key) {
    known_.push_back(key);
}

std::optional<double> Section::quantity(std::string_view key, Dimension dimension, Need need, Sign sign) {
    const auto text_given = scalar(key, need);
    if (!text_given) return std::nullopt;
    const Quantity parsed = parse_quantity(*text_given, dimension);
    if (!parsed.good()) {
        fault(key, parsed.what, parsed.expected);
        return std::nullopt;
    }
    if (sign == Sign::positive && !(parsed.value > 0.0)) {
        fault(key, fmt::format("'{}' is not above zero", *text_given),
              fmt::format("{} above zero, such as {}", name_of(dimension), example_of(dimension)));
        return std::nullopt;
    }
    if (sign == Sign::not_negative && parsed.value < 0.0) {
        fault(key, fmt::format("'{}' is negative", *text_given), fmt::format("{} of zero or more", name_of(dimension)));
        return std::nullopt;
    }
    if (!within(key, parsed.value, dimension)) return std::nullopt;
    return parsed.value;
}

bool Section::within(std::string_view key, double value, Dimension dimension) {
    const std::string path = path_of(key);
    const RangeRow* const row = range_for(path, of_, dimension);
    if (row == nullptr) return true;
    const double compared = row->compared == Compared::size ? std::fabs(value) : value;
    if (compared >= row->lowest && compared <= row->highest) return true;
    const bool possible = compared >= row->least && compared <= row->most;
    if (possible && report_.bench) return true;
    const auto ends = [&](double low, double high) {
        return fmt::format("{} to {}", show(low, dimension), show(high, dimension));
    };
    const std::string usual = ends(row->lowest, row->highest);
    const auto written = scalar(key, Need::optional);
    std::string what = fmt::format("'{}' is outside {}: {}", shortened(written.value_or("")), usual, row->why);
    if (!possible) {
        fault(key, std::move(what), usual + (row->compared == Compared::size ? ", of either sign" : ""));
        return false;
    }
    const std::size_t before = report_.faults().size();
    report_.fault_unless_accepted(place_of(key), path, path, std::move(what), usual);
    return report_.faults().size() == before;
}

std::optional<core::Duration> Section::duration(std::string_view key, Need need, Sign sign) {
    const auto seconds = quantity(key, Dimension::time, need, sign);
    if (!seconds) return std::nullopt;
    constexpr double longest_s = 366.0 * 86400.0;
    if (*seconds > longest_s) {
        fault(key, "a time of more than a year", "a shorter one");
        return std::nullopt;
    }
    if (*seconds > 0.0 && *seconds < 1e-6) {
        fault(key, "a time under a microsecond", "a longer one");
        return std::nullopt;
    }
    return to_duration(*seconds);
}

std::optional<Range> Section::range(std::string_view key, Dimension dimension, Need need) {
    const auto text_given = scalar(key, need);
    if (!text_given) return std::nullopt;
    Range parsed = parse_range(*text_given, dimension);
    if (!parsed.good()) {
        fault(key, parsed.what, parsed.expected);
        return std::nullopt;
    }
    if (!within(key, parsed.low, dimension) || !within(key, parsed.high, dimension)) return std::nullopt;
    return parsed;
}

std::optional<std::string> Section::text(std::string_view key, Need need) {
    auto given = scalar(key, need);
    if (!given) return std::nullopt;
    constexpr std::size_t longest = 120;
    const bool printable = std::none_of(given->begin(), given->end(),
                                        [](char c) { return static_cast<unsigned char>(c) < 0x20 || c == 0x7f; });
    if (given->empty() || given->size() > longest || !printable) {
        fault(key, given->empty() ? "an empty text" : "a text that is too long or has control characters",
              fmt::format("1 to {} printable bytes on one line", longest));
        return std::nullopt;
    }
    return given;
}

std::optional<std::string> Section::id(std::string_view key, Need need) {
    auto given = scalar(key, need);
    if (!given) return std::nullopt;
    if (std::string wrong = wrong_with_id(*given); !wrong.empty()) {
        fault(key, std::move(wrong), "a-z, 0-9 and hyphens between them, at most 40, such as 'hilltop-23cm'");
        return std::nullopt;
    }
    return given;
}

std::optional<std::string> Section::absolute_path(std::string_view key, Need need) {
    auto given = scalar(key, need);
    if (!given) return std::nullopt;
    constexpr std::size_t longest = 1024;
    const bool printable = std::none_of(given->begin(), given->end(),
                                        [](char c) { return static_cast<unsigned char>(c) < 0x20 || c == 0x7f; });
    if (!given->starts_with('/') || given->size() > longest || !printable) {
        fault(key, fmt::format("'{}' is no absolute path", shortened(*given)),
              "a path from the root, beginning with '/'");
        return std::nullopt;
    }
    return given;
}

std::optional<bool> Section::flag(std::string_view key, Need need) {
    const auto value = choice(key, yes_and_no_words, need);
    return value ? std::optional{*value != 0} : std::nullopt;
}

namespace {

/// In decimal digits, and not what another base would read otherwise.
std::optional<long> whole_number(const std::string& text) {
    const bool odd_base = text.size() > 1 && text.front() == '0';
    return odd_base ? std::nullopt : core::to_number<long>(text);
}

constexpr std::string_view digits_alone = "decimal digits alone, without a unit";

}  // namespace

std::optional<long> Section::whole(std::string_view key, long lowest, long highest, Need need) {
    const auto given = scalar(key, need);
    if (!given) return std::nullopt;
    const auto value = whole_number(*given);
    if (value && *value >= lowest && *value <= highest) return value;
    fault(key, fmt::format("'{}' is no whole number from {} to {}", shortened(*given), lowest, highest),
          std::string{digits_alone});
    return std::nullopt;
}

std::optional<long> Section::whole(std::string_view key, Need need) {
    const auto given = scalar(key, need);
    if (!given) return std::nullopt;
    constexpr long far = 1'000'000'000;
    const auto value = whole_number(*given);
    if (value && *value >= -far && *value <= far)
        return within(key, static_cast<double>(*value), Dimension::number) ? value : std::nullopt;
    const RangeRow* const row = range_for(path_of(key), of_, Dimension::number);
    fault(key, fmt::format("'{}' is no whole number", shortened(*given)),
          row == nullptr ? std::string{digits_alone}
                         : fmt::format("{} to {}, in {}", show(row->lowest, Dimension::number),
                                       show(row->highest, Dimension::number), digits_alone));
    return std::nullopt;
}

std::optional<int> Section::choice(std::string_view key, std::span<const Word> words, Need need) {
    const auto given = scalar(key, need);
    if (!given) return std::nullopt;
    std::vector<std::string_view> names;
    for (const Word& word : words) {
        if (word.text == *given) return word.value;
        names.push_back(word.text);
    }
    const auto near = nearest(*given, names);
    fault(key, fmt::format("'{}' is none of the words for '{}'", shortened(*given), key),
          near ? fmt::format("did you mean '{}'? One of: {}", *near, fmt::join(names, ", "))
               : fmt::format("one of: {}", fmt::join(names, ", ")));
    return std::nullopt;
}

Section Section::section(std::string_view key, Need need) {
    const Entry* entry = find(key, need);
    if (entry == nullptr) return {nullptr, place_, path_of(key), report_};
    return {&entry->value, entry->place, path_of(key), report_};
}

const Node* Section::list(std::string_view key, Need need) {
    const Entry* entry = find(key, need);
    if (entry == nullptr) return nullptr;
    if (entry->value.kind == Node::Kind::sequence) return &entry->value;
    fault(key, fmt::format("{} where a list was expected", kind_words(entry->value.kind)),
          "lines that begin with '- '");
    return nullptr;
}

std::vector<const Entry*> Section::named_entries(std::size_t most) {
    std::vector<const Entry*> result;
    if (node_ == nullptr) return result;
    for (const Entry& entry : node_->entries) {
        known_.push_back(entry.key);
        if (std::string wrong = wrong_with_id(entry.key); !wrong.empty())
            report_.fault(entry.place, path_of(shortened(entry.key)), std::move(wrong),
                          "a name of a-z, 0-9 and hyphens between them, at most 40");
        if (result.size() < most)
            result.push_back(&entry);
        else if (&entry == &node_->entries[most])
            report_.fault(entry.place, path_, fmt::format("{} of these, from here on too many", node_->entries.size()),
                          fmt::format("at most {}", most));
    }
    return result;
}

void Section::finish() {
    if (node_ == nullptr) return;
    for (const Entry& entry : node_->entries) {
        if (std::find(known_.begin(), known_.end(), entry.key) != known_.end()) continue;
        const std::string name = shortened(entry.key);
        if (begins_as_number(entry.key) && entry.value.kind == Node::Kind::null) {
            report_.fault(entry.place, path_of(name), fmt::format("'{}' is in the place of a key", name),
                          "a decimal point rather than a comma in the value before it");
            continue;
        }
        // A misspelt key more often means one that is missing than one that is there already.
        auto near = nearest(entry.key, missing_);
        if (near) {
            missing_.erase(std::find(missing_.begin(), missing_.end(), *near));
        } else {
            near = nearest(entry.key, known_);
        }
        report_.fault(
            entry.place, path_of(name), fmt::format("the key '{}' is not known here", name),
            near ? fmt::format("did you mean '{}'?", *near) : fmt::format("one of: {}", fmt::join(known_, ", ")));
    }
    for (const std::string_view key : missing_)
        report_.fault(place_, path_of(key), fmt::format("'{}' is missing", key), fmt::format("a line '{}: …'", key));
}

}  // namespace dekeyd::formats
