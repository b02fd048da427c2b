#include "words/json_number.hpp"

#include <doctest/doctest.h>

#include <limits>

using dekeyd::formats::json_number;

TEST_CASE("numbers are rounded to what a person would write") {
    CHECK(json_number(28.0 * 1.1).dump() == "30.8");  // 30.800000000000004 as it is
    CHECK(json_number(0.1 + 0.2).dump() == "0.3");
    CHECK(json_number(28.0 * 0.85).dump() == "23.8");
    CHECK(json_number(70.0).dump() == "70.0");
    CHECK(json_number(-40.0).dump() == "-40.0");
    CHECK(json_number(104.23456789).dump() == "104.2346");
    CHECK(json_number(1234567.8).dump() == "1234568.0");
    CHECK(json_number(0.0000201234567).dump() == "2.012346e-05");
    CHECK(json_number(0.0).dump() == "0.0");
}

TEST_CASE("what is no number is null") {
    CHECK(json_number(std::numeric_limits<double>::quiet_NaN()).is_null());
    CHECK(json_number(std::numeric_limits<double>::infinity()).is_null());
    CHECK(json_number(-std::numeric_limits<double>::infinity()).is_null());
}
