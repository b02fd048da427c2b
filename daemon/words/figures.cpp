#include "words/figures.hpp"

#include <fmt/format.h>

#include <cmath>

#include "words/unit_table.hpp"

namespace dekeyd::formats {
namespace {

/// Three significant digits, of what spans decades.
int significant(double size) noexcept {
    return size >= 99.95 ? 0 : size >= 9.995 ? 1 : size >= 0.9995 ? 2 : 3;
}

/// The same of watts where they can't be said in milliwatts; a detector's floor may be microwatts.
int digits_of_watts(double size) noexcept {
    int after_the_point = significant(size);
    double least = 0.09995;
    while (size > 0.0 && size < least && after_the_point < 6) {
        least /= 10.0;
        ++after_the_point;
    }
    return after_the_point;
}

/// Digits after the point.
int digits(double value, core::Unit unit) noexcept {
    const double size = std::fabs(value);
    switch (row_of(unit).digits) {
        case Digits::none: return 0;
        case Digits::one: return 1;
        case Digits::two: return 2;
        case Digits::ratio: return size > 0.0 && size < 0.9995 ? 3 : size < 10.0 ? 2 : 1;
        case Digits::seconds: return size < 10.0 ? 1 : 0;
        case Digits::watts: break;
    }
    return digits_of_watts(size);
}

std::string fixed(double value, int after_the_point) {
    std::string text = fmt::format("{:.{}f}", value, after_the_point);
    // "-0.0" would be read as a sign that means something.
    if (text.starts_with('-') && text.find_first_of("123456789") == std::string::npos) text.erase(0, 1);
    return text;
}

}  // namespace

std::string to_words(double value, core::Unit unit) {
    if (std::fabs(value) >= core::unbounded && !std::isnan(value)) return std::isinf(value) ? "unknown" : "unbounded";
    return std::isnan(value) ? "unknown" : fixed(value, digits(value, unit));
}

std::string with_unit(double value, core::Unit unit) {
    const std::string_view symbol = core::symbol(unit);
    if (symbol.empty() || !(std::fabs(value) < core::unbounded)) return to_words(value, unit);
    if (unit == core::Unit::watt && value != 0.0 && std::fabs(value) < 0.9995) {
        const bool micro = std::fabs(value) < 0.0009995;
        const double scaled = value * (micro ? 1e6 : 1e3);
        return fixed(scaled, significant(std::fabs(scaled))) + (micro ? " µW" : " mW");
    }
    return to_words(value, unit) + ' ' + std::string{symbol};
}

std::string with_unit(double value, std::string_view symbol) {
    if (const auto unit = core::unit_symbols.find(symbol)) return with_unit(value, *unit);
    return to_words(value, core::Unit::none) + ' ' + std::string{symbol};
}

std::string in_words(const core::Reading& reading, core::Unit unit) {
    if (reading.measured() && reading.value >= core::unbounded) {
        return unit == core::Unit::second ? "never" : "without bound";
    }
    switch (reading.health) {
        case core::Health::good: return with_unit(reading.value, unit);
        case core::Health::at_floor: return "at most " + with_unit(reading.value, unit);
        case core::Health::above_range: return "at least " + with_unit(reading.value, unit);
        case core::Health::not_measurable: return "not measurable";
        case core::Health::unknown: break;
    }
    return fmt::format("unknown ({})", core::text(reading.fault));
}

}  // namespace dekeyd::formats
