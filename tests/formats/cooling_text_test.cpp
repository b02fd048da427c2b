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
