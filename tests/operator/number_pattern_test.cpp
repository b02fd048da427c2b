// Patterns of decimal numbers, against the numbers themselves.
#include "dekeyctl/explain/number_pattern.hpp"

#include <doctest/doctest.h>
#include <fmt/format.h>

#include <regex>
#include <string>

using namespace dekeyd::ctl;

namespace {

bool takes(const std::string& pattern, const std::string& text) {
    return std::regex_match(text, std::regex{pattern});
}

}  // namespace

TEST_CASE("both ends belong to the range, and the next number beyond doesn't") {
    struct Ends {
        double low, high;
    };
    for (const Ends ends : {Ends{0.0, 1.0}, Ends{0.5, 600.0}, Ends{1.0, 100.0}, Ends{0.001, 0.2}, Ends{2.0, 9.0},
                            Ends{19.0, 20.0}, Ends{0.0, 3600.0}, Ends{1.25, 1.5}, Ends{99.9, 1000.05}}) {
        const std::string pattern = decimal_between(ends.low, ends.high);
        CAPTURE(pattern);
        // Steps of 1/800 of the range and 0.0001 about the ends, each as written with four decimals.
        const auto judge = [&](double value) {
            const std::string text = fmt::format("{:.4f}", value);
            const double written = std::stod(text);
            CAPTURE(text);
            if (written >= 0.0) CHECK(takes(pattern, text) == (written >= ends.low && written <= ends.high));
        };
        for (int i = -100; i <= 900; ++i) judge(ends.low + (ends.high - ends.low) * i / 800.0);
        for (const double end : {ends.low, ends.high})
            for (const double step : {-0.0001, 0.0, 0.0001}) judge(end + step);
        for (const char* const bad : {"", ".5", "1.", "01", "1e3", "1,5", "-1", "+1"}) CHECK_FALSE(takes(pattern, bad));
    }
}

TEST_CASE("whole numbers without a point") {
    const std::string pattern = decimal_between(7, 123);
    for (int i = 0; i < 2000; ++i) CHECK(takes(pattern, std::to_string(i)) == (i >= 7 && i <= 123));
}

TEST_CASE("signs") {
    const std::string both = signed_between(-40.0, 150.0), below = signed_between(-110.0, -20.0);
    for (const char* const good : {"-40", "-39.9", "0", "-0", "+150", "150.0"}) CHECK(takes(both, good));
    for (const char* const bad : {"-40.1", "-41", "150.1", "+151", "--3", "+-3"}) CHECK_FALSE(takes(both, bad));
    for (const char* const good : {"-20", "-110", "-110.0", "-55.5"}) CHECK(takes(below, good));
    for (const char* const bad : {"-19.9", "-110.5", "50", "0"}) CHECK_FALSE(takes(below, bad));
    CHECK(takes(signed_between(0.0, 10.0), "-0"));
    CHECK_FALSE(takes(signed_between(0.0, 10.0), "-5"));
}
