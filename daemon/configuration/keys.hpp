// The keys of the configuration: a row each, the one home of what a key is. A section's rows stand above its reader, in
// configuration_*.cpp; from them come reading, the reference, the schema for editors and what `find --write` proposes.
#pragma once

#include <cstdint>
#include <span>
#include <string>
#include <string_view>

#include "plan/time.hpp"
#include "words/units.hpp"

namespace dekeyd::formats {

struct Draft;

enum class Need : std::uint8_t { required, optional };
enum class Sign : std::uint8_t { any, positive, not_negative };

enum class KeyKind : std::uint8_t {
    section,   ///< keys of its own
    named,     ///< sections under names that the user chooses
    sections,  ///< a list of sections
    texts,     ///< a list of texts, or of `words`
    quantity,  ///< a number with a unit of `dimension`
    time,      ///< above zero, where `sign` doesn't say that zero is one too
    range,     ///< two quantities: "0.35 V .. 2.2 V"
    level,     ///< a quantity, or one of `words`; what it is of depends on what is measured or watched
    levels,    ///< a range of the same kind
    whole,
    text,
    id,
    path,
    flag,  ///< yes or no
    word,  ///< one of `words`
    name   ///< of something in this text or on this machine; its reader knows of what
};

/// A word that a value may be, and what it stands for.
struct Word {
    template <class Value>
    constexpr Word(std::string_view text_, Value value_) : text{text_}, value{static_cast<int>(value_)} {}
    std::string_view text;
    int value;
};

inline constexpr Word yes_and_no_words[]{{"yes", true}, {"no", false}, {"true", true}, {"false", false}};

/// What of a value is compared: the value itself, its size without the sign, or a whole number.
enum class Compared : std::uint8_t { value, size, whole };

/// `lowest` to `highest` are right for a station; from `least` to `most` a value is taken where `accept:` names the
/// key, or where the line is a file. In the dimension's base unit; both ends belong to it.
struct Between {
    double lowest = 0.0, highest = 0.0;
    double least = 0.0, most = 0.0;
    std::string_view why{};  ///< what is wrong beyond the ends; it follows a colon. Empty: there are no ends
    Compared compared = Compared::value;
};
/// No value beyond the range is ever taken.
constexpr Between fixed(double lowest, double highest, std::string_view why, Compared compared = Compared::value) {
    return {lowest, highest, lowest, highest, why, compared};
}

/// Ends that depend on what the section is of.
struct KindBetween {
    std::string_view of;  ///< the kinds that it is for, one blank between them
    Dimension dimension;
    Between between;
};

/// A value as it was read; by the row's kind one of them.
struct Given {
    Draft& draft;
    double number = 0.0;
    core::Duration time{};
    std::string text{};
    int word = 0;  ///< a word's value; 1 or 0 of a flag
};

struct KeyRow {
    std::string_view path;  ///< "sensors.*.pads": '*' for a name that the user chose, '|' between parts of one meaning
    KeyKind kind;
    Dimension dimension = Dimension::number;
    Sign sign = Sign::any;
    Need need = Need::optional;
    std::string_view when{};                     ///< it is needed, or applies, only so: "where … "
    std::string_view of{};                       ///< the kinds of section that have it, one blank between; empty: all
    Between between{};                           ///< what its value may be
    std::span<const KindBetween> by_kind{};      ///< the same, where it depends on what the section is of
    std::span<const Word> words{};               ///< what it may be besides, or alone
    std::string_view usual{};                    ///< its default, as one would write it
    std::string_view usual_words{};              ///< its default where it is worked out, in words
    std::string_view says;                       ///< one sentence
    void (*into)(const Given& given) = nullptr;  ///< where it goes; none: its reader knows
};

/// For figures of rows.
namespace row_units {
inline constexpr double us = 1e-6, ms = 1e-3, minute = 60.0, hour = 3600.0, day = 86400.0;
inline constexpr double mw = 1e-3, kw = 1e3;
/// A line that is a file runs on busy machines and in emulations, where everything is late.
inline constexpr double patient = minute;
}  // namespace row_units

/// All of them, in the annotated configuration's order; each section before its keys.
std::span<const KeyRow> configuration_keys();
/// Of a file that `dekeyctl calibrate` writes.
std::span<const KeyRow> calibration_file_keys();

/// The row of a key by its path as faults show it; nullptr: there is none. Of rows that differ by `of` the one for that
/// kind, or the first where the kind isn't known.
const KeyRow* find_key(std::span<const KeyRow> keys, std::string_view path, std::string_view of);

/// "sensors.*.pads" for "sensors.forward.pads"; a path of a list's item without its number.
bool fits(std::string_view pattern, std::string_view path);
/// Whether `word` is one of a list's, with `at` between them.
bool one_of(std::string_view list, char at, std::string_view word);

}  // namespace dekeyd::formats
