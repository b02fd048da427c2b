#include "words/cooling_text.hpp"

#include <doctest/doctest.h>

#include "sample_plan.hpp"

using namespace dekeyd;

namespace {

// 25 degC, 100 W out of 250 W DC, 50 W of it quiescent, 1 W of drive: 151 W of heat, at 0.2 K/W 55.2 degC.
constexpr core::Cooling amplifier{.ambient_c = 25.0,
                                  .resistance_k_per_w = 0.2,
                                  .forward_w = 100.0,
                                  .dc_w = 250.0,
                                  .quiescent_dc_w = 50.0,
                                  .drive_w = 1.0};

formats::CoolingFacts facts(double settling_c, double doubt_k = 1.0) {
    return {.settling_c = {settling_c, settling_c - doubt_k, settling_c + doubt_k},
            .trip_c = 70.0,
            .cooling = amplifier,
            .planned_w = 0.0,
            .planned = {},
            .end_c = {},
            .at = "at this power"};
}

}  // namespace

TEST_CASE("cooling: adequate, with how far it is below the trip") {
    CHECK(formats::cooling_sentence(facts(55.2)) ==
          "Cooling adequate: settles at 55 °C at this power, 14 K below the trip.");
}

TEST_CASE("cooling: not adequate, with the power and the duty that fit") {
    auto hot = facts(85.2);
    hot.cooling->ambient_c = 55.0;  // 15 K for 75 W of heat: 50 + 200 sqrt(p) + p - 100 p = 75 at p = 0.0177, by hand
    CHECK(
        formats::cooling_sentence(hot) ==
        "Cooling not adequate: would settle at 85 °C at this power, 16 K above the trip; the power that fits is 1.7 W, "
        "or 24 % duty.");           // 25 W of 101 W above the quiescent heat: 24.8 %
    hot.cooling->ambient_c = 65.0;  // the quiescent heat alone makes 75 degC
    CHECK(formats::cooling_sentence(hot).find("no power fits") != std::string::npos);
}

TEST_CASE("cooling: a doubt that reaches the trip is no adequacy") {
    CHECK(formats::cooling_sentence(facts(68.0, 3.0)) ==
          "Cooling not surely adequate: settles between 65 °C and 71 °C, and the trip is at 70 °C.");
    auto planned = facts(75.0, 3.0);
    planned.planned = std::chrono::minutes{30};
    planned.end_c = 62.0;
    CHECK(formats::cooling_sentence(planned) ==
          "Cooling adequate for the planned 30 min: 62 °C at its end, 8 K below the trip; sent without an end it "
          "would settle at 75 °C.");
    planned.end_c = 68.0;
    CHECK(formats::cooling_sentence(planned).find("Cooling not adequate") == 0);
}

TEST_CASE("cooling: the planned power is judged too") {
    auto low = facts(55.2);
    low.planned = std::chrono::hours{4};
    low.planned_w = 120.0;
    // sqrt(1.2) = 1.0954: 50 + 219.1 + 1.2 - 120 = 150.3 W: 55.1 degC, by hand.
    CHECK(
        formats::cooling_sentence(low) ==
        "Cooling adequate: settles at 55 °C at this power; for the planned 4 h at 120 W at most 55 °C, 14 K below the "
        "trip.");
    low.trip_c = 56.5;
    low.settling_c = {50.0, 49.0, 51.0};
    low.cooling->resistance_k_per_w = 0.25;  // 62.6 degC
    CHECK(formats::cooling_sentence(low).find("Cooling not adequate for the planned 4 h at 120 W") == 0);
}

TEST_CASE("cooling: air that grows warmer counts, as far as it is looked at") {
    auto mild = facts(55.2);
    mild.warming_k_per_h = {1.0, 0.8, 1.2};
    mild.ahead = std::chrono::hours{4};
    // 55.2 + 4 = 59.2 degC: 70 - 60 = 10 K, rounded down.
    CHECK(formats::cooling_sentence(mild) ==
          "Cooling adequate: settles at 55 °C at this power, 14 K below the trip. The air grows warmer by 1 K/h: 59 °C "
          "in 4 h, 10 K below the trip.");
    // Less than half a kelvin is no news.
    mild.ahead = std::chrono::minutes{29};
    CHECK(formats::cooling_sentence(mild) == formats::cooling_sentence(facts(55.2)));
    mild.ahead = std::chrono::minutes{30};
    CHECK(formats::cooling_sentence(mild).find("60 °C") == std::string::npos);
    CHECK(formats::cooling_sentence(mild).find("56 °C in 30 min") != std::string::npos);

    auto warm = facts(60.0);
    warm.warming_k_per_h = {2.5, 2.0, 3.0};
    warm.ahead = std::chrono::hours{4};
    warm.cooling->ambient_c = 29.8;  // 60 degC at 151 W and 0.2 K/W
    // 60 + 10 is the trip; what fits is worked out for the warmest air, 41.8 degC: 28.2 K are 141 W of heat. By hand:
    // 50 + 200 sqrt(p) - 99 p = 141 at p = 0.479; 91 W of 101 W above the quiescent heat.
    CHECK(formats::cooling_sentence(warm) ==
          "Cooling adequate in the present air only: settles at 60 °C at this power. The air grows warmer by 2.5 K/h: "
          "70 °C in 4 h, at the trip; the power that fits is 47 W, or 90 % duty.");
    // The edge: the warmest that the air may be, plus the doubt, reaches the trip: 57 + 1 + 3 x 4 = 70.
    warm.settling_c = {56.9, 55.9, 57.9};
    CHECK(formats::cooling_sentence(warm).find("Cooling adequate: ") == 0);
    warm.settling_c = {57.0, 56.0, 58.0};
    CHECK(formats::cooling_sentence(warm).find("Cooling adequate in the present air only") == 0);
    // The planned transmission ends before.
    warm.planned = std::chrono::hours{1};
    warm.ahead = std::chrono::hours{1};
    warm.settling_c = {66.0, 65.0, 67.0};
    warm.end_c = 63.0;
    CHECK(formats::cooling_sentence(warm) ==
          "Cooling adequate for the planned 60 min: 63 °C at its end, 7 K below the trip; sent without an end it would "
          "settle at 69 °C.");
}

TEST_CASE("cooling: not known yet, not judged, and silent without RF") {
    core::Plan plan = test::sample_plan();
    core::Snapshot snapshot = core::Protection::blank(plan);
    CHECK(formats::cooling_text(plan, snapshot).empty());
    plan.roles.supply = plan.roles.current = 0;
    snapshot.state = core::State::permitted;
    snapshot.rf_present = true;
    REQUIRE(core::can_be_known(plan, plan.index(core::Derived::settling_temperature)));
    CHECK(formats::cooling_text(plan, snapshot) == "Cooling not known yet: the heatsink is still learned.");
    snapshot.quantities[plan.index(core::Derived::settling_temperature)] = test::good(41.0);
    CHECK(formats::cooling_text(plan, snapshot).find("Cooling adequate: settles at 41 °C at this power, ") == 0);
    snapshot.rf_present = false;
    CHECK(formats::cooling_text(plan, snapshot).empty());
    snapshot.rf_present = true;
    plan.limits.clear();
    CHECK(formats::cooling_text(plan, snapshot).find("Cooling not judged") == 0);
}
