#include "messages/exposure_json.hpp"

#include <doctest/doctest.h>

#include <cmath>
#include <nlohmann/json.hpp>
#include <numbers>

#include "maths/uncertainty.hpp"
#include "sample_plan.hpp"

using namespace dekeyd;

TEST_CASE("the distance is that of FCC OET Bulletin 65, rounded up, and the caution goes with it") {
    formats::Configuration configuration;
    configuration.plan = test::sample_plan();
    CHECK(formats::exposure_json(configuration).is_null());  // no antenna, no distance

    core::LimitPlan forward = configuration.plan.limits[0];
    forward.watch = 1;
    forward.trip = 125.0;
    configuration.plan.limits.push_back(forward);
    configuration.plan.rf.feeder_loss_db = 0.8;
    configuration.frequency_hz = 1.26e9;
    configuration.antenna = formats::AntennaConfig{.gain_dbi = 12.0, .dish = {}, .duty = 1.0};
    configuration.ground_factor = 2.56;
    configuration.exposure = {{.name = "own limit", .w_per_m2 = 6.3, .averaging_s = 360.0, .edition = ""}};
    const auto json = formats::exposure_json(configuration);
    CHECK(json["power_w"] == 125.0);
    CHECK(std::string{json["caution"]} == core::exposure_caution);
    // S = P G / (4 pi r^2) times the ground's factor (OET 65, equations 4 and 6), solved for r.
    const double low_db = core::power_budget(*configuration.plan.channels[1].power).combined_db;
    const double eirp = 125.0 * std::pow(10.0, (low_db - 0.8 + 12.0) / 10.0);
    const double distance = std::sqrt(2.56 * eirp / (4.0 * std::numbers::pi * 6.3));
    CHECK(json["eirp_w"].get<double>() == doctest::Approx(eirp));
    CHECK(json["cases"][0]["distance_m"].get<double>() >= distance);
    CHECK(json["cases"][0]["distance_m"].get<double>() < distance + 0.1001);
    CHECK(json["cases"][0]["where"] == "far field");

    configuration.exposure[0].w_per_m2 = 0.0;
    CHECK(formats::exposure_json(configuration)["cases"][0]["distance_m"].is_null());
}
