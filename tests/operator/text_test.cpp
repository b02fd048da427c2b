#include "dekeyctl/text.hpp"

#include <doctest/doctest.h>

using namespace dekeyd::ctl;

TEST_CASE("nothing that a terminal would obey gets through") {
    CHECK(printable("plain °C") == "plain °C");
    CHECK(printable("a\x1b[2Jb\nc\x7f") == "a?[2Jb?c?");
    CHECK(printable("\xc2\x9b"
                    "31m") == "?31m");                   // the one-character form of ESC [
    CHECK(printable("\xff\xc3(\xe2\x82") == "?\?(?\?");  // broken UTF-8, byte by byte
    CHECK(printable("\xc0\xaf") == "??");                // over-long form of '/'
    CHECK(printable("\xed\xa0\x80") == "???");           // a surrogate
    CHECK(printable("\xe2\x80\xae"
                    "desrever") == "?desrever");  // right-to-left override
}

TEST_CASE("columns count what the eye sees") {
    CHECK(columns("41 °C") == 5);
    CHECK(columns("e\xcc\x81") == 1);  // a letter and its combining accent
    CHECK(columns("漢字") == 4);
}

TEST_CASE("clipping and padding give exact widths and whole characters") {
    CHECK(clip("heatsink", 8) == "heatsink");
    CHECK(clip("heatsink", 5) == "heat~");
    CHECK(clip("漢字", 3) == "漢~");
    CHECK(clip("漢字", 2) == "~");
    CHECK(clip("x", 0) == "");
    CHECK(pad_right("°C", 4) == "°C  ");
    CHECK(pad_left("°C", 4) == "  °C");
    CHECK(columns(pad_right("漢字x", 4)) == 4);
}

TEST_CASE("wrapping breaks at blanks") {
    CHECK(wrap("", 10) == std::vector<std::string>{""});
    CHECK(wrap("one two three", 7) == std::vector<std::string>{"one two", "three"});
    CHECK(wrap("  much   space ", 20) == std::vector<std::string>{"much space"});
    CHECK(wrap("overlongword", 5) == std::vector<std::string>{"over~"});
}

TEST_CASE("ASCII stands in for our own signs") {
    CHECK(to_ascii("41.3 °C ━●─T ≤2") == "41.3 degC =o-T <=2");
    CHECK(to_ascii("é") == "?");
}

TEST_CASE("values have the digits that their unit deserves") {
    CHECK(with_unit(41.26, "°C") == "41.3 °C");
    CHECK(with_unit(118.2, "W") == "118 W");
    CHECK(with_unit(11.12, "W") == "11.1 W");
    CHECK(with_unit(0.51, "W") == "510 mW");
    CHECK(with_unit(0.0012, "W") == "1.20 mW");
    CHECK(with_unit(1.3, "") == "1.30");
    CHECK(with_unit(-0.001, "V") == "0.00 V");
    CHECK(with_unit(-1.5, "dB") == "-1.5 dB");
    CHECK(with_unit(1.0e9, "") == "unbounded");
    CHECK(with_unit(0.0 / 1.0, "rpm") == "0 rpm");
}

TEST_CASE("times are said as people say them") {
    CHECK(time_words(0.02) == "20 ms");
    CHECK(time_words(3.24) == "3.2 s");
    CHECK(time_words(59.6) == "1 min 0 s");
    CHECK(time_words(725.0) == "12 min 5 s");
    CHECK(time_words(11040.0) == "3 h 4 min");
    CHECK(time_words(439200.0) == "5 d 2 h");
    CHECK(time_words(-1.0) == "0 ms");
    CHECK(time_words(1.0e300) == "very long");
}
