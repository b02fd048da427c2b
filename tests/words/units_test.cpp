// Values with units. Check values computed by hand from the definitions of the units.
#include "words/units.hpp"

#include <doctest/doctest.h>

#include <clocale>
#include <vector>

using namespace dekeyd;
using namespace dekeyd::formats;
using namespace std::chrono_literals;

TEST_CASE("well-written quantities") {
    struct Row {
        const char* text;
        Dimension dimension;
        double value;
    };
    const std::vector<Row> rows{
        {"70 degC", Dimension::temperature, 70.0},
        {"70 °C", Dimension::temperature, 70.0},
        {"-40degC", Dimension::temperature, -40.0},
        {"  70   degC ", Dimension::temperature, 70.0},
        {"5 K", Dimension::temperature_difference, 5.0},
        {"2.5 W", Dimension::power, 2.5},
        {"50 mW", Dimension::power, 0.05},
        {"20 uW", Dimension::power, 20e-6},
        {"20 µW", Dimension::power, 20e-6},
        {"1.5 kW", Dimension::power, 1500.0},
        {"34 dBm", Dimension::power, 2.511886431509580},  // 10^(4/10), computed
        {"0 dBm", Dimension::power, 0.001},
        {"-30 dBm", Dimension::power, 1e-6},
        {"-10 dBm", Dimension::level, -10.0},
        {"40 dB", Dimension::ratio_db, 40.0},
        {"28 V", Dimension::voltage, 28.0},
        {"800 mV", Dimension::voltage, 0.8},
        {"18 A", Dimension::current, 18.0},
        {"250 mA", Dimension::current, 0.25},
        {"250 ms", Dimension::time, 0.25},
        {"10 us", Dimension::time, 10e-6},
        {"5 s", Dimension::time, 5.0},
        {"10 min", Dimension::time, 600.0},
        {"2 h", Dimension::time, 7200.0},
        {"3000 rpm", Dimension::speed, 3000.0},
        {"+10 %", Dimension::percent, 10.0},
        {"-15%", Dimension::percent, -15.0},
        {"1.26 GHz", Dimension::frequency, 1.26e9},
        {"1262 MHz", Dimension::frequency, 1.262e9},
        {"0.35 K/W", Dimension::thermal_resistance, 0.35},
        {"-24.4 mV/dB", Dimension::volts_per_db, -0.0244},
        {"0.0191 V/dB", Dimension::volts_per_db, 0.0191},
        {"500 mV/mW", Dimension::volts_per_watt, 500.0},
        {"66 mV/A", Dimension::volts_per_ampere, 0.066},
        {"10 mV/K", Dimension::volts_per_kelvin, 0.01},
        {"0.02 dB/K", Dimension::db_per_kelvin, 0.02},
        {"1.00", Dimension::number, 1.0},
        {"-32768", Dimension::number, -32768.0},
        {"0", Dimension::number, 0.0},
        {"0.0", Dimension::number, 0.0},
    };
    for (const Row& row : rows) {
        CAPTURE(row.text);
        const Quantity parsed = parse_quantity(row.text, row.dimension);
        CAPTURE(parsed.what);
        CHECK(parsed.good());
        CHECK(parsed.value == doctest::Approx(row.value).epsilon(1e-12));
    }
    // Exactly what a programmer would have written, not one rounding away from it.
    CHECK(parse_quantity("250 ms", Dimension::time).value == 0.25);
    CHECK(parse_quantity("800 mV", Dimension::voltage).value == 0.8);
}

TEST_CASE("badly written quantities are refused, each with what is wrong and how to mend it") {
    struct Row {
        const char* text;
        Dimension dimension;
        const char* what;
        const char* expected;
    };
    const std::vector<Row> rows{
        {"70", Dimension::temperature, "needs a unit", "70 degC"},
        {"1.00", Dimension::power, "needs a unit", "1.00 W"},
        {"-24.4", Dimension::volts_per_db, "needs a unit", "-24.4 mV/dB"},
        {"70 W", Dimension::temperature, "is a power", "70 degC"},
        {"70 degC", Dimension::power, "is a temperature", "2.5 W"},
        {"5 degC", Dimension::temperature_difference, "is a temperature", "5 K"},
        {"70 K", Dimension::temperature, "is a temperature difference", "70 degC"},
        {"40 dBm", Dimension::ratio_db, "is a level in dBm", "40 dB"},
        {"40 dB", Dimension::power, "is a ratio in dB", "34 dBm"},
        {"2 W", Dimension::number, "takes none", "2"},
        {"2.0:1", Dimension::number, "proportion", "2.0"},
        {"", Dimension::power, "no value", "a power"},
        {"   ", Dimension::power, "no value", "a power"},
        {"W", Dimension::power, "not a number", "2.5 W"},
        {"ten W", Dimension::power, "not a number", "2.5 W"},
        {"nan W", Dimension::power, "can be measured", "2.5 W"},
        {"NaN", Dimension::power, "can be measured", "2.5 W"},
        {".nan", Dimension::power, "can be measured", "2.5 W"},
        {"inf W", Dimension::power, "can be measured", "2.5 W"},
        {"-inf W", Dimension::power, "can be measured", "2.5 W"},
        {"+.Inf", Dimension::power, "can be measured", "2.5 W"},
        {"infinity W", Dimension::power, "can be measured", "2.5 W"},
        {"0x10 W", Dimension::power, "not a decimal", "decimal digits"},
        {"0b11 W", Dimension::power, "not a decimal", "decimal digits"},
        {"0o17 W", Dimension::power, "not a decimal", "decimal digits"},
        {"010 W", Dimension::power, "octal", "without the leading 0"},
        {"1_000 W", Dimension::power, "separator", "without separators"},
        {"1'000 W", Dimension::power, "separator", "without separators"},
        {"1 000 W", Dimension::power, "blank inside", "without blanks"},
        {"2,5 W", Dimension::power, "decimal comma", "2.5"},
        {"2.5.1 W", Dimension::power, "two points", "one point"},
        {"5. W", Dimension::power, "no digit follows", "one point"},
        {".5 W", Dimension::power, "no digit before", "0.5"},
        {"1e3 W", Dimension::power, "exponent", "plain digits"},
        {"1E-3 W", Dimension::power, "exponent", "plain digits"},
        {"--5 W", Dimension::power, "not a number", "2.5 W"},
        {"+-5 W", Dimension::power, "not a number", "2.5 W"},
        {"- 5 W", Dimension::power, "not a number", "2.5 W"},
        {"−5 dBm", Dimension::power, "dash", "hyphen"},
        {"5 w", Dimension::power, "capitals matter", "5 W"},
        {"5 MW", Dimension::power, "capitals matter", "5 mW"},
        {"5 MS", Dimension::time, "capitals matter", "5 ms"},
        {"70 C", Dimension::temperature, "not the unit", "70 degC"},
        {"70 degF", Dimension::temperature, "not a unit known here", "degC"},
        {"5 sec", Dimension::time, "not a unit known here", "ms"},
        {"5 W W", Dimension::power, "not a unit known here", "kW"},
        {"5 W 3", Dimension::power, "not a unit known here", "kW"},
        {"1 W .. 2 W", Dimension::power, "not a unit known here", "kW"},
        {"1..2 W", Dimension::power, "is a range", "one value"},
        {"300 dBm", Dimension::power, "beyond any power", "200 dBm"},
        {"99999999999999 W", Dimension::power, "too large", "a power"},
        {"9999999999 h", Dimension::time, "too large", "a time"},
        {"1111111111111111111111111111111111 W", Dimension::power, "too many digits", "a power"},
    };
    for (const Row& row : rows) {
        CAPTURE(row.text);
        const Quantity parsed = parse_quantity(row.text, row.dimension);
        CAPTURE(parsed.what);
        CAPTURE(parsed.expected);
        CHECK_FALSE(parsed.good());
        CHECK(parsed.value == 0.0);
        CHECK(parsed.what.find(row.what) != std::string::npos);
        CHECK(parsed.expected.find(row.expected) != std::string::npos);
    }
}

TEST_CASE("the locale changes nothing") {
    // Where this locale is not installed setlocale refuses, and the check is that of the C locale once more.
    const char* const before = std::setlocale(LC_ALL, nullptr);
    const std::string saved = before == nullptr ? "C" : before;
    std::setlocale(LC_ALL, "de_DE.UTF-8");
    CHECK(parse_quantity("2.5 W", Dimension::power).value == 2.5);
    CHECK_FALSE(parse_quantity("2,5 W", Dimension::power).good());
    CHECK(show(2.5, core::Unit::volt) == "2.5 V");
    std::setlocale(LC_ALL, saved.c_str());
}

TEST_CASE("ranges carry the unit at both ends") {
    const Range window = parse_range("0.35 V .. 2.2 V", Dimension::voltage);
    REQUIRE(window.good());
    CHECK(window.low == 0.35);
    CHECK(window.high == 2.2);
    const Range tight = parse_range("-20mV..2.2V", Dimension::voltage);
    REQUIRE(tight.good());
    CHECK(tight.low == doctest::Approx(-0.02));
    CHECK(parse_range("-32768 .. 32767", Dimension::number).good());

    CHECK(parse_range("0.35 .. 2.2 V", Dimension::voltage).what.find("the low end: '0.35' needs a unit") == 0);
    CHECK(parse_range("0.35 V .. 2.2", Dimension::voltage).what.find("the high end: '2.2' needs a unit") == 0);
    CHECK(parse_range("2.2 V .. 0.35 V", Dimension::voltage).expected == "the lower value first");
    CHECK_FALSE(parse_range("1 V .. 1 V", Dimension::voltage).good());
    CHECK_FALSE(parse_range("1 V", Dimension::voltage).good());
    CHECK_FALSE(parse_range("", Dimension::voltage).good());
    CHECK_FALSE(parse_range("..", Dimension::voltage).good());
    CHECK_FALSE(parse_range("1 V .. 2 V .. 3 V", Dimension::voltage).good());
    CHECK_FALSE(parse_range("1 V - 2 V", Dimension::voltage).good());
}

TEST_CASE("each dimension's example is itself well written") {
    for (int i = 0; i <= static_cast<int>(Dimension::db_per_kelvin); ++i) {
        const auto dimension = static_cast<Dimension>(i);
        std::string example{example_of(dimension)};
        example =
            example.substr(0, example.find_first_of(",o") == std::string::npos ? example.size() : example.find(','));
        if (const auto alternative = example.find(" or "); alternative != std::string::npos)
            example = example.substr(0, alternative);
        CAPTURE(example);
        CHECK(parse_quantity(example, dimension).good());
    }
}

TEST_CASE("words for people") {
    CHECK(show(70.0, core::Unit::celsius) == "70 °C");
    CHECK(show(120.0, core::Unit::watt) == "120 W");
    CHECK(show(0.05, core::Unit::watt) == "50 mW");
    CHECK(show(0.0, core::Unit::watt) == "0 W");
    CHECK(show(2.0, core::Unit::none) == "2");
    CHECK(show(28.049, core::Unit::volt) == "28.05 V");
    CHECK(show(3000.0, core::Unit::rpm) == "3000 rpm");
    CHECK(show(90.0, core::Unit::second) == "90 s");
    CHECK(show(core::Duration{0}) == "0 s");
    CHECK(show(20ms) == "20 ms");
    CHECK(show(1500ms) == "1.5 s");
    CHECK(show(10min) == "10 min");
    CHECK(show(50us) == "50 µs");
    CHECK(show(core::Duration{2h}) == "2 h");
}

TEST_CASE("seconds become nanoseconds without overflow") {
    CHECK(to_duration(0.25) == 250ms);
    CHECK(to_duration(1e300) == to_duration(1e9));
    CHECK(to_duration(-1e300) == to_duration(-1e9));
}
