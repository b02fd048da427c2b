#include "dekeyctl/look_back/cooling_history.hpp"

#include <doctest/doctest.h>

#include <cmath>
#include <vector>

using dekeyd::ctl::cooling_history;
using dekeyd::ctl::sentence;

TEST_CASE("cooling history: three hours at either end are enough, and two are not") {
    CHECK_FALSE(cooling_history({}));
    CHECK_FALSE(cooling_history(std::vector{0.3, 0.3, 0.3, 0.3, 0.3}));
    const auto found = cooling_history(std::vector{0.30, 0.31, 0.29, 0.40, 0.50, 0.41});
    REQUIRE(found);
    CHECK(found->hours == 3);
    CHECK(found->first_k_per_w == 0.30);
    CHECK(found->last_k_per_w == 0.41);
    CHECK(found->change_percent() == doctest::Approx(100.0 * (0.41 / 0.30 - 1.0)));
}

TEST_CASE("cooling history: a day at either end, by its median: one odd hour changes nothing") {
    std::vector<double> hours(30, 0.3);
    hours.insert(hours.end(), 1000, 0.7);
    hours.insert(hours.end(), 30, 0.36);
    hours[3] = 9.0;
    const auto found = cooling_history(hours);
    REQUIRE(found);
    CHECK(found->hours == 24);
    CHECK(found->first_k_per_w == doctest::Approx(0.3));
    CHECK(found->last_k_per_w == doctest::Approx(0.36));
    CHECK(cooling_history(std::vector{0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8})->first_k_per_w == 0.25);
}

TEST_CASE("cooling history: it is worse or better from fifteen per cent on") {
    const auto said = [](double last) { return sentence({.first_k_per_w = 1.0, .last_k_per_w = last, .hours = 3}); };
    CHECK(said(1.1499).find("as it was") != std::string::npos);
    CHECK(said(1.16).find("16 % worse") != std::string::npos);
    CHECK(said(0.8501).find("as it was") != std::string::npos);
    CHECK(said(0.84).find("16 % better") != std::string::npos);
}

TEST_CASE("cooling history: damaged rows are no history") {
    CHECK_FALSE(cooling_history(std::vector{0.3, 0.3, 0.3, 0.3, 0.3, 0.0}));
    CHECK_FALSE(cooling_history(std::vector{0.3, 0.3, 0.3, 0.3, 0.3, std::nan("")}));
}
