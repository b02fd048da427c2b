#include "plan/hazards.hpp"

#include <doctest/doctest.h>

#include "sample_plan.hpp"

using namespace dekeyd;
using core::Hazard;

TEST_CASE("what a source watches for") {
    core::Plan plan = test::sample_plan();
    CHECK(core::hazard_of(plan, test::heatsink_limit) == Hazard::heat);
    CHECK(core::hazard_of(plan, test::vswr_limit) == Hazard::reflected);
    CHECK(core::hazard_of(plan, test::heatsink_sensor) == Hazard::sensors);
    CHECK(core::hazard_of(plan, core::source_of(plan, core::Builtin::reflected_on_floor)) == Hazard::sensors);
    CHECK_FALSE(core::hazard_of(plan, core::source_of(plan, core::Builtin::line_mismatch)));
    CHECK_FALSE(core::hazard_of(plan, core::source_of(plan, core::Builtin::longest_transmission)));

    core::LimitPlan limit = plan.limits[0];
    limit.direction = core::Direction::below;  // too cold is no heat
    CHECK_FALSE(core::hazard_of(plan, limit));
    limit.direction = core::Direction::above;
    plan.roles.ambient = 0;
    CHECK_FALSE(core::hazard_of(plan, limit));
    limit.watch = 2;
    CHECK(core::hazard_of(plan, limit) == Hazard::reflected);
    limit.watch = 1;
    CHECK_FALSE(core::hazard_of(plan, limit));  // forward: none of them
    plan.roles.drive = 1;
    CHECK(core::hazard_of(plan, limit) == Hazard::drive);
    limit.direction = core::Direction::below;
    CHECK_FALSE(core::hazard_of(plan, limit));
    plan.channels.push_back(test::sample_channel("supply", "Supply", core::ChannelKind::voltage, 3));
    limit.watch = 3;
    CHECK(core::hazard_of(plan, limit) == Hazard::supply);
}

TEST_CASE("what is watched for: by what may take the permit away, and no warning") {
    core::Plan plan = test::sample_plan();
    CHECK(core::is_watched(plan, Hazard::heat));
    CHECK(core::is_watched(plan, Hazard::reflected));
    CHECK(core::is_watched(plan, Hazard::sensors));
    CHECK_FALSE(core::is_watched(plan, Hazard::drive));
    CHECK_FALSE(core::is_watched(plan, Hazard::supply));
    plan.limits[0].trips = false;
    CHECK_FALSE(core::is_watched(plan, Hazard::heat));
}

TEST_CASE("a limit watches in its own stage only") {
    core::Plan plan = test::sample_plan();
    plan.stages = {{.id = "driver", .name = "Driver", .roles = {}, .nominal_supply_v = {}}};
    const core::StagePlan* const driver = plan.stages.data();
    CHECK(core::is_watched(plan, Hazard::heat, nullptr));
    CHECK_FALSE(core::is_watched(plan, Hazard::heat, driver));
    plan.channels[0].stage = 0;
    CHECK_FALSE(core::is_watched(plan, Hazard::heat, nullptr));
    CHECK(core::is_watched(plan, Hazard::heat, driver));
    CHECK(core::is_watched(plan, Hazard::heat));
    CHECK(core::is_watched(plan, Hazard::reflected, nullptr));  // by the VSWR, which is the amplifier's
    CHECK_FALSE(core::is_watched(plan, Hazard::reflected, driver));
}
