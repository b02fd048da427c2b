#include "plan/reading.hpp"

#include <doctest/doctest.h>

#include <set>

using namespace dekeyd::core;

TEST_CASE("every fault and health has words of its own") {
    std::set<std::string_view> words;
    for (int i = 0; i <= static_cast<int>(Fault::implausible); ++i) {
        CHECK(words.insert(text(static_cast<Fault>(i))).second);
    }
    for (int i = 0; i <= static_cast<int>(Health::above_range); ++i) {
        CHECK_FALSE(text(static_cast<Health>(i)).empty());
    }
}

TEST_CASE("a fresh reading is unknown: never evaluated is not passed") {
    constexpr Reading r;
    CHECK(r.health == Health::unknown);
    CHECK(r.fault == Fault::never_read);
    CHECK_FALSE(r.measured());
}

TEST_CASE("units have symbols") {
    CHECK(symbol(Unit::celsius) == "°C");
    CHECK(symbol(Unit::none).empty());
    for (int i = 1; i <= static_cast<int>(Unit::second); ++i) CHECK_FALSE(symbol(static_cast<Unit>(i)).empty());
}
