// One map of the configuration, read key by key: every fault is noted with its place, and nothing stops at the first.
#pragma once

#include <fmt/format.h>

#include <initializer_list>
#include <optional>
#include <string>
#include <string_view>
#include <utility>
#include <vector>

#include "core/time.hpp"
#include "formats/configuration.hpp"
#include "formats/units.hpp"
#include "formats/yaml_tree.hpp"

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

enum class Need { required, optional };
enum class Sign { any, positive, not_negative };

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

    std::optional<double> quantity(std::string_view key, Dimension dimension, Need need, Sign sign = Sign::any);
    std::optional<core::Duration> duration(std::string_view key, Need need, Sign sign = Sign::positive);
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
    template <class E>
    std::optional<E> choice(std::string_view key, std::initializer_list<std::pair<std::string_view, E>> words,
                            Need need) {
        std::vector<std::string_view> names;
        for (const auto& [word, value] : words) names.push_back(word);
        const auto index = choose(key, names, need);
        if (!index) return std::nullopt;
        return (words.begin() + static_cast<std::ptrdiff_t>(*index))->second;
    }
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

    /// Notes unknown and missing keys; call it once, when everything has been read.
    void finish();

private:
    const Entry* find(std::string_view key, Need need);
    bool within(std::string_view key, double value, Dimension dimension);
    std::optional<std::size_t> choose(std::string_view key, const std::vector<std::string_view>& names, Need need);

    const Node* node_;
    Place place_;
    std::string path_;
    std::string of_;
    Report& report_;
    std::vector<std::string_view> known_;  ///< all are literals
    std::vector<std::string_view> missing_;
};

/// Empty where `text` is an id; otherwise what is wrong with it.
std::string wrong_with_id(std::string_view text);

}  // namespace dekeyd::formats
