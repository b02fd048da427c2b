#include "words/units.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <span>
#include <vector>

#include "plan/number_text.hpp"
#include "words/nearest.hpp"
#include "words/unit_table.hpp"

namespace dekeyd::formats {
namespace {

constexpr double largest_value = 1.0e12;  // far beyond any station; keeps later arithmetic finite
constexpr double largest_time_s = 1.0e9;

std::string_view trim(std::string_view text) {
    while (!text.empty() && text.front() == ' ') text.remove_prefix(1);
    while (!text.empty() && text.back() == ' ') text.remove_suffix(1);
    return text;
}

/// Long or odd text is shortened before it goes into a message.
std::string quoted(std::string_view text) {
    constexpr std::size_t longest = 40;
    if (text.size() <= longest) return fmt::format("'{}'", text);
    std::size_t end = longest;
    while (end > 0 && (static_cast<unsigned char>(text[end]) & 0xc0U) == 0x80U) --end;  // never inside a character
    return fmt::format("'{}…'", text.substr(0, end));
}

std::string_view base_unit(Dimension dimension) {
    const auto* const row = std::find_if(spellings.begin(), spellings.end(),
                                         [=](const Spelling& candidate) { return candidate.dimension == dimension; });
    return row == spellings.end() ? std::string_view{} : row->text;
}

Quantity refuse(std::string what, std::string expected) {
    return {.value = 0.0, .what = std::move(what), .expected = std::move(expected)};
}

std::string expected_one(Dimension dimension) {
    return fmt::format("{}, such as {}", name_of(dimension), example_of(dimension));
}

std::string lower(std::string_view text) {
    std::string result{text};
    for (char& c : result) {
        if (c >= 'A' && c <= 'Z') c = static_cast<char>(c - 'A' + 'a');
    }
    return result;
}

/// Why a text that does not begin as a number does, and nothing if it begins well.
Quantity refuse_start(std::string_view text, std::string_view unsigned_text, Dimension dimension) {
    const std::string small = lower(unsigned_text);
    if (small.starts_with("nan") || small.starts_with("inf") || small.starts_with(".nan") || small.starts_with(".inf"))
        return refuse(fmt::format("{} is not a number that can be measured", quoted(text)), expected_one(dimension));
    if (text.starts_with("−") || text.starts_with("–"))
        return refuse(fmt::format("{} begins with a dash that is not a minus sign", quoted(text)),
                      "a plain hyphen as the minus sign: -24.4");
    if (small.starts_with('.') && small.size() > 1 && is_digit(small[1]))
        return refuse(fmt::format("{} has no digit before the point", quoted(text)), "a digit there: 0.5");
    if (unsigned_text.empty() || !is_digit(unsigned_text.front()))
        return refuse(fmt::format("{} is not a number with a unit", quoted(text)), expected_one(dimension));
    if (small.size() > 1 && small[0] == '0' && (small[1] == 'x' || small[1] == 'b' || small[1] == 'o'))
        return refuse(fmt::format("{} is not a decimal number", quoted(text)), "decimal digits: 16, not 0x10");
    if (small.size() > 1 && small[0] == '0' && is_digit(small[1]))
        return refuse(fmt::format("{} begins with a needless 0, which some programs read as octal", quoted(text)),
                      "the number without the leading 0");
    return {};
}

/// Why what follows the digits can't be a unit, and nothing if it can.
Quantity refuse_rest(std::string_view text, std::string_view number, std::string_view rest) {
    if (rest.empty()) return {};
    const char first = rest.front();
    const bool then_digit = rest.size() > 1 && is_digit(rest[1]);
    if (first == ',' && then_digit)
        return refuse(fmt::format("{} has a decimal comma", quoted(text)),
                      fmt::format("a decimal point: {}.{}", number, rest.substr(1, 8)));
    if (first == '_' || first == '\'')
        return refuse(fmt::format("{} has a separator inside the number", quoted(text)), "digits without separators");
    if (rest.starts_with("..")) return refuse(fmt::format("{} is a range", quoted(text)), "one value");
    if (first == '.')
        return refuse(fmt::format("{} has a point that no digit follows, or two points", quoted(text)),
                      "one point with a digit on each side, or none");
    if ((first == 'e' || first == 'E') && rest.size() > 1 && (is_digit(rest[1]) || rest[1] == '+' || rest[1] == '-'))
        return refuse(fmt::format("{} has an exponent", quoted(text)), "plain digits, with a larger or smaller unit");
    if (first == ':')
        return refuse(fmt::format("{} is written as a proportion", quoted(text)),
                      fmt::format("the number alone: {}", number));
    const auto after_blank = trim(rest);
    if (first == ' ' && !after_blank.empty() && is_digit(after_blank.front()))
        return refuse(fmt::format("{} has a blank inside the number", quoted(text)), "digits without blanks");
    return {};
}

Quantity convert(std::string_view text, std::string_view digits, double number, std::string_view unit,
                 Dimension dimension) {
    const std::string_view proposed = base_unit(dimension);
    if (dimension == Dimension::number) {
        if (unit.empty()) return {.value = number, .what = {}, .expected = {}};
        return refuse(fmt::format("{} has a unit, and this value takes none", quoted(text)),
                      fmt::format("the number alone: {}", digits));
    }
    if (unit.empty())
        return refuse(fmt::format("{} needs a unit", quoted(text)),
                      fmt::format("{} with its unit: {} {}", name_of(dimension), digits, proposed));
    const Spelling* other = nullptr;
    for (const Spelling& row : spellings) {
        if (row.text != unit) continue;
        if (row.dimension != dimension) {
            other = &row;
            continue;
        }
        double value = number * row.numerator / row.denominator;
        if (row.numerator == dbm_mark) {
            if (std::fabs(number) > core::largest_dbm)
                return refuse(fmt::format("{} is beyond any power", quoted(text)), "a level within ±200 dBm");
            value = std::pow(10.0, (number - 30.0) / 10.0);
        }
        const double largest = dimension == Dimension::time ? largest_time_s : largest_value;
        if (std::fabs(value) > largest)
            return refuse(fmt::format("{} is too large", quoted(text)), expected_one(dimension));
        return {.value = value, .what = {}, .expected = {}};
    }
    if (other != nullptr)
        return refuse(fmt::format("{} is {}", quoted(text), name_of(other->dimension)), expected_one(dimension));
    std::vector<std::string_view> own;
    for (const Spelling& row : spellings) {
        if (row.dimension == dimension) own.push_back(row.text);
    }
    const std::string small = lower(unit);
    for (const std::string_view candidate : own) {
        if (lower(candidate) == small && !small.empty())
            return refuse(fmt::format("{} is not a unit: capitals matter (mW is not MW)", quoted(unit)),
                          fmt::format("did you mean '{} {}'?", digits, candidate));
    }
    if (unit == "C" && dimension == Dimension::temperature)
        return refuse("'C' is not the unit of a temperature", fmt::format("{} degC", digits));
    return refuse(fmt::format("{} is not a unit known here", quoted(unit)),
                  fmt::format("{}, in {}", name_of(dimension), fmt::join(own, ", ")));
}

std::string four_digits(double value) {
    return fmt::format("{:.4g}", value);
}

}  // namespace

Quantity parse_quantity(std::string_view whole, Dimension dimension) {
    const std::string_view text = trim(whole);
    if (text.empty()) return refuse("there is no value", expected_one(dimension));
    std::string_view unsigned_text = text;
    if (text.front() == '+' || text.front() == '-') unsigned_text.remove_prefix(1);
    if (Quantity bad = refuse_start(text, unsigned_text, dimension); !bad.good()) return bad;

    std::size_t end = 0;
    while (end < unsigned_text.size() && is_digit(unsigned_text[end])) ++end;
    if (end + 1 < unsigned_text.size() && unsigned_text[end] == '.' && is_digit(unsigned_text[end + 1])) {
        ++end;
        while (end < unsigned_text.size() && is_digit(unsigned_text[end])) ++end;
    }
    const std::string_view digits = unsigned_text.substr(0, end);
    const std::string_view rest = unsigned_text.substr(end);
    constexpr std::size_t most_digits = 24;
    if (digits.size() > most_digits) return refuse("a number with too many digits", expected_one(dimension));
    if (Quantity bad = refuse_rest(text, digits, rest); !bad.good()) return bad;

    const auto number = core::to_number<double>(digits);
    if (!number) return refuse(fmt::format("{} is not a number", quoted(text)), expected_one(dimension));
    const bool negative = text.front() == '-';
    const std::string signed_digits = fmt::format("{}{}", negative ? "-" : "", digits);
    return convert(text, signed_digits, negative ? -*number : *number, trim(rest), dimension);
}

Range parse_range(std::string_view text, Dimension dimension) {
    const auto expected = [dimension] {
        const std::string_view unit = base_unit(dimension);
        const std::string_view gap = unit.empty() ? "" : " ";
        return fmt::format("two ends with '..' between them, such as 1{}{} .. 2{}{}", gap, unit, gap, unit);
    };
    const std::size_t dots = text.find("..");
    if (dots == std::string_view::npos)
        return {.what = fmt::format("{} is not a range", quoted(trim(text))), .expected = expected()};
    const Quantity low = parse_quantity(text.substr(0, dots), dimension);
    if (!low.good()) return {.what = "the low end: " + low.what, .expected = low.expected};
    const Quantity high = parse_quantity(text.substr(dots + 2), dimension);
    if (!high.good()) return {.what = "the high end: " + high.what, .expected = high.expected};
    if (!(low.value < high.value))
        return {.what = fmt::format("{} has its low end at or above its high end", quoted(trim(text))),
                .expected = "the lower value first"};
    return {.low = low.value, .high = high.value, .what = {}, .expected = {}};
}

std::vector<WrittenUnit> units_of(Dimension dimension) {
    std::vector<WrittenUnit> units;
    for (const Spelling& row : spellings)
        if (row.dimension == dimension) units.push_back({row.text, row.numerator / row.denominator});
    return units;
}

core::Duration to_duration(double seconds) noexcept {
    const double clamped = std::clamp(seconds, -largest_time_s, largest_time_s);
    return core::Duration{std::llround(clamped * 1e9)};
}

std::string_view name_of(Dimension dimension) noexcept {
    return row_of(dimension).name;
}

std::string_view example_of(Dimension dimension) noexcept {
    return row_of(dimension).example;
}

Dimension dimension_of(core::Unit unit) noexcept {
    return row_of(unit).dimension;
}

std::string show(double value, core::Unit unit) {
    switch (unit) {
        case core::Unit::none: return four_digits(value);
        case core::Unit::watt:
            if (value != 0.0 && std::fabs(value) < 0.9995e-3) return four_digits(value * 1e6) + " µW";
            if (value != 0.0 && std::fabs(value) < 0.9995) return four_digits(value * 1e3) + " mW";
            if (std::fabs(value) >= 9999.5) return four_digits(value / 1e3) + " kW";
            break;
        case core::Unit::rpm: return fmt::format("{:.0f} rpm", value);
        case core::Unit::second: return show(to_duration(value));
        default: break;
    }
    return fmt::format("{} {}", four_digits(value), core::symbol(unit));
}

std::string show(double value, Dimension dimension) {
    for (const UnitRow& row : unit_rows)
        if (row.dimension == dimension && dimension != Dimension::number && dimension != Dimension::time)
            return show(value, row.unit);
    if (dimension == Dimension::number) return fmt::format("{:.10g}", value);
    if (dimension == Dimension::time && value < 1e9) return show(to_duration(value));
    // The row in which the number is written shortest, and the first of them.
    std::string shortest;
    for (const Spelling& row : spellings) {
        if (row.dimension != dimension) continue;
        std::string text = fmt::format("{} {}", four_digits(value * row.denominator / row.numerator), row.text);
        if (shortest.empty() || text.size() < shortest.size()) shortest = std::move(text);
    }
    return shortest;
}

std::string show(core::Duration duration) {
    const double seconds = core::seconds(duration);
    const double size = std::fabs(seconds);
    if (size == 0.0) return "0 s";
    if (size < 1e-3) return four_digits(seconds * 1e6) + " µs";
    if (size < 1.0) return four_digits(seconds * 1e3) + " ms";
    const bool whole_minutes = size >= 60.0 && std::fmod(size, 60.0) == 0.0;
    if (size < 120.0 && !whole_minutes) return four_digits(seconds) + " s";
    if (size < 7200.0) return four_digits(seconds / 60.0) + " min";
    return four_digits(seconds / 3600.0) + " h";
}

}  // namespace dekeyd::formats
