#include "messages/overview.hpp"

#include <doctest/doctest.h>

#include <nlohmann/json.hpp>

#include "sample_plan.hpp"

using namespace dekeyd;
using namespace std::chrono_literals;

TEST_CASE("the plan has each limit's levels, and which quantity plays which part") {
    const core::Plan plan = test::sample_plan();
    const auto json = formats::to_json(formats::plan_of(plan));
    REQUIRE(json["limits"].size() == 2);
    const auto& heatsink = json["limits"][0];
    CHECK(heatsink["id"] == "heatsink");
    CHECK(heatsink["watch"] == "heatsink");
    CHECK(heatsink["unit"] == "°C");
    CHECK(heatsink["direction"] == "above");
    CHECK(heatsink["trips"] == true);
    CHECK(heatsink["trip"] == 70.0);
    CHECK(heatsink["clear"] == 55.0);
    CHECK(heatsink["warn"] == 65.0);
    CHECK(heatsink["clear_by"] == "level");
    CHECK(heatsink["hold_off_s"] == 30.0);
    CHECK(heatsink["rearm"] == "automatic");
    const auto& vswr = json["limits"][1];
    CHECK(vswr["watch"] == "vswr");
    CHECK(vswr["clear"].is_null());
    CHECK(vswr["warn"].is_null());
    CHECK(vswr["clear_by"] == "rf off");
    CHECK(vswr["rearm"] == "latched");
    CHECK(json["roles"] ==
          nlohmann::ordered_json({{"forward", "forward"}, {"heatsink", "heatsink"}, {"reflected", "reflected"}}));
    CHECK(json["settling_s"] == 5.0);
}

TEST_CASE("the plan has each power's chain from volts to watts") {
    core::Plan plan = test::sample_plan();
    plan.channels[1].power->detector = core::LogDetector{.slope_v_per_db = -0.0244, .intercept_dbm = 19.6};
    plan.channels[1].power->coupling_db = 40.0;
    plan.channels[1].power->pads_db = 10.0;
    const auto chains = formats::to_json(formats::plan_of(plan))["chains"];
    REQUIRE(chains.size() == 2);
    CHECK(chains[0]["id"] == "forward");
    CHECK(chains[0]["detector"] ==
          nlohmann::ordered_json({{"law", "log"}, {"slope_v_per_db", -0.0244}, {"intercept_dbm", 19.6}}));
    CHECK(chains[0]["coupling_db"] == 40.0);
    CHECK(chains[0]["pads_db"] == 10.0);
    CHECK(chains[0]["uncertainty_db"].get<double>() > 0.5);
    CHECK(chains[1]["detector"] == nlohmann::ordered_json({{"law", "square"}, {"volts_per_watt", 1.0}}));
}

TEST_CASE("a limit that only warns has no level that trips") {
    core::Plan plan = test::sample_plan();
    plan.limits[0].trips = false;
    const auto heatsink = formats::to_json(formats::plan_of(plan))["limits"][0];
    CHECK(heatsink["trips"] == false);
    CHECK(heatsink["trip"].is_null());
    CHECK(heatsink["warn"] == 65.0);
}

TEST_CASE("a cause says since when it stands, and how much of its hold-off is left") {
    const core::Plan plan = test::sample_plan();
    core::Snapshot snapshot = core::Protection::blank(plan);
    snapshot.now = core::Instant{100s};
    snapshot.quantities[0] = test::good(71.24);
    core::Cause& cause = snapshot.causes[test::heatsink_limit];
    cause = {.condition = core::Condition::bad, .active = true, .first = true, .since = core::Instant{88s}};
    auto json = formats::to_json(formats::cause_of(plan, snapshot, test::heatsink_limit));
    CHECK(json["text"] == "Heatsink 71.2 °C at or above 70.0 °C");
    CHECK(json["since_s"] == 12.0);
    CHECK(json["hold_off_left_s"] == 30.0);  // nothing is left of it before its cause has gone
    CHECK(json["latched"] == false);
    CHECK(json["first"] == true);

    cause.condition = core::Condition::clear;
    cause.clear_since = core::Instant{81'750ms};
    json = formats::to_json(formats::cause_of(plan, snapshot, test::heatsink_limit));
    CHECK(json["hold_off_left_s"] == 11.8);  // 30 − 18.25, to a tenth
    cause.clear_since = core::Instant{10s};
    CHECK(formats::to_json(formats::cause_of(plan, snapshot, test::heatsink_limit))["hold_off_left_s"] == 0.0);
}

TEST_CASE("an interval is there where something is measured; an unbounded end is null") {
    const core::Plan plan = test::sample_plan();
    core::Snapshot snapshot = core::Protection::blank(plan);
    const auto span = [&](const core::Reading& reading) {
        snapshot.quantities[0] = reading;
        return formats::to_json(formats::summary_of(plan, snapshot))["span"];
    };
    CHECK(span({.value = 104.0, .low = 98.1234, .high = 110.0, .health = core::Health::good}).dump() ==
          R"({"heatsink":[98.123,110.0]})");
    CHECK(span({.value = 3.0, .low = 2.5, .high = core::unbounded, .health = core::Health::good}).dump() ==
          R"({"heatsink":[2.5,null]})");
    CHECK(span({.health = core::Health::not_measurable}).empty());
    CHECK(span({.value = 5.0, .low = 5.0, .high = 5.0, .health = core::Health::unknown}).empty());
}
