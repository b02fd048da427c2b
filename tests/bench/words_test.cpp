#include "bench/words.hpp"

#include <doctest/doctest.h>

using namespace bench;

TEST_CASE("words at blanks, tabs and a carriage return") {
    CHECK(join(split("  key \t on\r")) == "key on");
    CHECK(split("").empty());
    CHECK(split(" \t ").empty());
    CHECK(split("one").size() == 1);
}

TEST_CASE("a quantity: with its unit, without, never with another") {
    const auto of = [](std::string_view text, std::string_view unit) { return quantity(split(text), 0, unit); };
    CHECK(of("2.5", "W") == 2.5);
    CHECK(of("2.5 W", "W") == 2.5);
    CHECK(of("2.5W", "W") == 2.5);
    CHECK(of("-3", "C") == -3.0);
    CHECK(of("1e-3", "") == 1e-3);
    CHECK_FALSE(of("2.5 V", "W"));
    CHECK_FALSE(of("2.5W W", "W"));
    CHECK_FALSE(of("2.5 W W", "W"));
    CHECK_FALSE(of("2,5 W", "W"));
    CHECK_FALSE(of("nan", "W"));
    CHECK_FALSE(of("inf W", "W"));
    CHECK_FALSE(of("1e999", "W"));
    CHECK_FALSE(of("W", "W"));
    CHECK_FALSE(of("", "W"));
    CHECK_FALSE(of("3 W", ""));
}
