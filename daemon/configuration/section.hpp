// One map of the configuration, read key by key: every fault is noted with its place, and nothing stops at the first.
#pragma once

#include <fmt/format.h>

#include <optional>
#include <span>
#include <string>
#include <string_view>
#include <vector>

#include "configuration/configuration.hpp"
#include "configuration/keys.hpp"
#include "configuration/yaml_tree.hpp"
#include "plan/time.hpp"
#include "words/units.hpp"

namespace dekeyd::formats {

/// Where all faults and all advice of one text come together.
class Report {
public:
    void fault(Place place, std::string key, std::string what, std::string expected);
    void advise(Place place, std::string key, std::string what);
    /// A fault, unless the text accepts it by `word`: then it is noted, and said at each start.
    void fault_unless_accepted(Place place, std::string key, const std::string& word, std::string what,
                               std::string expected);
    /// A word of `accept:`.
    void accept(std::string word, Place place);
    /// Each word that nothing needed is a fault of its own. Call it last.
    void finish_accepted();
    [[nodiscard]] bool has_fault(std::string_view key) const;
    [[nodiscard]] std::vector<Accepted>& accepted() noexcept { return accepted_; }
    /// The line is a file, which protects nothing: what needs a word elsewhere needs none here.
    bool bench = false;
    /// The rows of the text's keys. With them, reading a key that has none is an error of the program.
    std::span<const KeyRow> keys{};
    [[nodiscard]] std::vector<Fault>& faults() noexcept { return faults_; }
    [[nodiscard]] std::vector<Advice>& advice() noexcept { return advice_; }

private:
    struct Word {
        std::string text;
        Place place;
        bool used = false;
    };

    std::vector<Fault> faults_;
    std::vector<Advice> advice_;
    std::vector<Accepted> accepted_;
    std::vector<Word> words_;            ///< of `accept:`
    std::vector<std::string> proposed_;  ///< words that faults have named
};

/// A key that is read is a known key: finish() calls every other one unknown. Each read_* gives nothing where the key
/// is absent or its value is at fault, which is then noted.
class Section {
public:
    /// `node` may be nullptr (an absent section: everything in it is absent, and nothing is missing).
    /// `place` is that of the key that names the section; `path` its dotted name ("" for the whole text).
    Section(const Node* node, Place place, std::string path, Report& report);

    [[nodiscard]] bool present() const noexcept { return node_ != nullptr; }
    [[nodiscard]] const std::string& path() const noexcept { return path_; }
    [[nodiscard]] Place place() const noexcept { return place_; }
    /// Of a key's value where there is one, else of the section.
    [[nodiscard]] Place place_of(std::string_view key) const noexcept;
    [[nodiscard]] std::string path_of(std::string_view key) const;
    [[nodiscard]] bool has(std::string_view key) const noexcept;

    // By the key's row: its dimension, sign, words and ends, and whether it is needed where `need` doesn't say.
    std::optional<double> quantity(std::string_view key, std::optional<Need> need = {});
    std::optional<core::Duration> duration(std::string_view key, std::optional<Need> need = {});
    std::optional<Range> range(std::string_view key);
    std::optional<std::string> text(std::string_view key);
    std::optional<std::string> id(std::string_view key);
    std::optional<std::string> absolute_path(std::string_view key);
    std::optional<bool> flag(std::string_view key);
    std::optional<long> whole(std::string_view key);
    /// A word's value.
    std::optional<int> word(std::string_view key);
    template <class E>
    std::optional<E> word_as(std::string_view key) {
        const auto value = word(key);
        return value ? std::optional{static_cast<E>(*value)} : std::nullopt;
    }
    /// The value that its row has as usual: for a key that is absent or at fault.
    [[nodiscard]] double usual(std::string_view key) const;
    [[nodiscard]] core::Duration usual_time(std::string_view key) const;
    [[nodiscard]] int usual_word(std::string_view key) const;
    double quantity_or_usual(std::string_view key) { return quantity(key).value_or(usual(key)); }
    core::Duration duration_or_usual(std::string_view key) { return duration(key).value_or(usual_time(key)); }
    bool flag_or_usual(std::string_view key);
    template <class E>
    E word_or_usual(std::string_view key) {
        return static_cast<E>(word(key).value_or(usual_word(key)));
    }
    Section section(std::string_view key);
    const Node* list(std::string_view key);
    std::optional<std::string> scalar(std::string_view key);

    // Where the key has no row, or one that leaves its dimension to what is measured.
    std::optional<double> quantity(std::string_view key, Dimension dimension, Need need, Sign sign = Sign::any);
    std::optional<core::Duration> duration(std::string_view key, Need need, Sign sign);
    std::optional<Range> range(std::string_view key, Dimension dimension, Need need);
    /// Printable text of 1 to 120 bytes on one line.
    std::optional<std::string> text(std::string_view key, Need need);
    /// a-z, 0-9 and hyphen, 1 to 40, no hyphen at an end.
    std::optional<std::string> id(std::string_view key, Need need);
    /// An absolute path.
    std::optional<std::string> absolute_path(std::string_view key, Need need);
    std::optional<bool> flag(std::string_view key, Need need);
    std::optional<long> whole(std::string_view key, long lowest, long highest, Need need);
    /// The same, between the ends that its row of the ranges has.
    std::optional<long> whole(std::string_view key, Need need);
    std::optional<int> choice(std::string_view key, std::span<const Word> words, Need need);
    Section section(std::string_view key, Need need);
    /// A list; nullptr where it is absent or no list.
    const Node* list(std::string_view key, Need need);
    /// All entries of a section whose keys are names that the user chose (sensors, buses, limits), each checked as an
    /// id. They count as known.
    std::vector<const Entry*> named_entries(std::size_t most);

    /// The text of a scalar key, for callers that judge it themselves (`clear: rf off`).
    std::optional<std::string> scalar(std::string_view key, Need need);
    void fault(std::string_view key, std::string what, std::string expected);
    /// A key whose value can't be judged, because a fault elsewhere decides what it should be.
    void allow(std::string_view key);
    /// What the section is of, where a range depends on it: a sensor's kind, a bus's driver, what a limit watches.
    void is_of(std::string_view kind) { of_ = kind; }
    [[nodiscard]] std::string_view of() const noexcept { return of_; }
    [[nodiscard]] std::span<const KeyRow> keys() const noexcept { return report_.keys; }

    /// Notes unknown and missing keys; call it once, when everything has been read.
    void finish();

private:
    const Entry* find(std::string_view key, Need need);
    bool within(std::string_view key, double value, Dimension dimension);
    /// Throws std::logic_error where there is none.
    [[nodiscard]] const KeyRow& row(std::string_view key) const;

    const Node* node_;
    Place place_;
    std::string path_;
    std::string of_;
    Report& report_;
    std::vector<std::string_view> known_;  ///< all are literals
    std::vector<std::string_view> missing_;
};

/// Reads each key of a section whose row says where it goes, in the rows' order. An absent one, or one at fault, has
/// its row's usual value.
void read_keys(Section& section, Draft& draft);

/// Empty where `text` is an id; otherwise what is wrong with it.
std::string wrong_with_id(std::string_view text);

}  // namespace dekeyd::formats
