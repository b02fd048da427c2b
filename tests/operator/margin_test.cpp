#include "dekeyctl/daily/margin.hpp"

#include <doctest/doctest.h>

using namespace dekeyd::ctl;

TEST_CASE("the margin is to the nearest trip, as an amount and as a share of the way from rest") {
    Quantity quantity{.id = "heatsink", .value = 56.0};
    const Limit far{.id = "far", .above = true, .trip = 80.0}, near{.id = "near", .above = true, .trip = 70.0};
    const auto margin = margin_of(quantity, {&far, &near});
    REQUIRE(margin);
    CHECK(margin->limit == &near);
    CHECK(margin->amount == 14.0);
    CHECK(margin->share == 0.2);  // 14 of 70
    quantity.value = 71.0;
    CHECK(margin_of(quantity, {&near})->amount == -1.0);
    quantity.value.reset();
    CHECK_FALSE(margin_of(quantity, {&near}));
    CHECK_FALSE(margin_of({.id = "heatsink", .value = 1.0}, {}));
}

TEST_CASE("a VSWR is at rest at 1, and between two trips the middle is") {
    const Limit vswr{.id = "v", .above = true, .trip = 2.0};
    CHECK(margin_of({.id = "antenna-vswr", .value = 1.5}, {&vswr})->share == 0.5);
    const Limit low{.id = "l", .above = false, .trip = 24.0}, high{.id = "h", .above = true, .trip = 32.0};
    const auto margin = margin_of({.id = "supply", .value = 25.0}, {&low, &high});
    CHECK(margin->limit == &low);
    CHECK(margin->share == 0.25);  // 1 of the 4 to the middle
}

TEST_CASE("a limit that rests, or only warns beside one that trips, gives no margin") {
    const Quantity quantity{.id = "q", .value = 5.0};
    Limit rests{.id = "r", .above = true, .trip = 6.0, .rests = true};
    const Limit warns{.id = "w", .above = true, .trips = false, .trip = 7.0},
        trips{.id = "t", .above = true, .trip = 9.0};
    CHECK(margin_of(quantity, {&rests, &warns, &trips})->limit == &trips);
    CHECK(margin_of(quantity, {&rests, &warns})->limit == &warns);
    CHECK_FALSE(margin_of(quantity, {&rests}));
    rests.active = true;  // its trip stands all the same
    CHECK(margin_of(quantity, {&rests, &warns})->limit == &rests);
}

TEST_CASE("an end of the interval is judged, and the reading where there is no interval") {
    const Limit reading{.id = "r", .edge = "reading", .trip = 9.0}, end{.id = "e", .edge = "high", .trip = 9.0};
    CHECK(judged({.value = 5.0, .low = 4.0, .high = 6.0}, reading) == 5.0);
    CHECK(judged({.value = 5.0, .low = 4.0, .high = 6.0}, end) == 6.0);
    CHECK(judged({.value = 5.0}, end) == 5.0);
}
