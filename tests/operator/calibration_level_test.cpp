#include "dekeyctl/set_up/calibration_level.hpp"

#include <doctest/doctest.h>

#include "configuration/calibration.hpp"
#include "sample_plan.hpp"

using namespace dekeyd;
using namespace dekeyd::ctl;

TEST_CASE("the sensor that is calibrated: a power of the plan, with its temperature's sensor") {
    core::Plan plan = test::sample_plan();
    CHECK_FALSE(calibrated_sensor(plan, "heatsink"));  // no power
    CHECK_FALSE(calibrated_sensor(plan, "sideways"));
    auto sensor = calibrated_sensor(plan, "forward");
    REQUIRE(sensor);
    CHECK_FALSE(sensor->reflected);
    CHECK(sensor->drift_sensor.empty());
    CHECK(sensor->temperature_of.empty());
    CHECK(calibrated_sensor(plan, "reflected")->reflected);
    plan.roles.ambient = 0;
    CHECK(calibrated_sensor(plan, "forward")->temperature_of == "heatsink");
    plan.channels.push_back(test::sample_channel("board", "Board", core::ChannelKind::temperature, 3));
    plan.channels[1].power->temperature_channel = 3;
    sensor = calibrated_sensor(plan, "forward");
    CHECK(sensor->drift_sensor == "board");
    CHECK(sensor->temperature_of == "board");  // nearer to the detector than the room's
}

TEST_CASE("readings are turned back by the law that the daemon says it has") {
    core::PowerChain chain;
    chain.coupling_db = 40.0;
    core::PowerChain corrected = chain;
    corrected.correction = core::Correction{.points = {{.shown_dbm = -20.0, .add_db = 0.4}}};
    Status status;
    CHECK(law_of("forward", status, corrected)->correction);  // a daemon that doesn't say
    status.laws["forward"] = formats::chain_id(corrected);
    CHECK(law_of("forward", status, corrected)->correction);
    status.laws["forward"] = formats::chain_id(chain);  // it runs since before the calibration
    REQUIRE(law_of("forward", status, corrected));
    CHECK_FALSE(law_of("forward", status, corrected)->correction);
    status.laws["forward"] = "of other pads";
    CHECK_FALSE(law_of("forward", status, corrected));
    status.laws = {{"reflected", "of other pads"}};
    CHECK(law_of("forward", status, corrected)->correction);
}
