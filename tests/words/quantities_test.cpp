
#include <doctest/doctest.h>

#include "sample_plan.hpp"

using namespace dekeyd;
using core::can_be_known;
using core::Derived;

TEST_CASE("a derived quantity is shown where all that it comes from is measured") {
    core::Plan plan = test::sample_plan();
    for (std::size_t channel = 0; channel < plan.channels.size(); ++channel) {
        CHECK(can_be_known(plan, static_cast<core::QuantityIndex>(channel)));
    }
    CHECK(can_be_known(plan, plan.index(Derived::vswr)));
    CHECK(can_be_known(plan, plan.index(Derived::net_power)));
    CHECK_FALSE(can_be_known(plan, plan.index(Derived::antenna_vswr)));
    CHECK_FALSE(can_be_known(plan, plan.index(Derived::gain)));
    CHECK_FALSE(can_be_known(plan, plan.index(Derived::dc_power)));

    plan.rf.feeder_loss_db = 0.8;
    CHECK(can_be_known(plan, plan.index(Derived::antenna_vswr)));
    plan.roles.drive = 0;
    CHECK(can_be_known(plan, plan.index(Derived::gain)));
    CHECK_FALSE(can_be_known(plan, plan.index(Derived::compression)));
    plan.rf.small_signal_gain_db = 18.0;
    CHECK(can_be_known(plan, plan.index(Derived::compression)));
    plan.roles.supply = plan.roles.current = 0;
    CHECK(can_be_known(plan, plan.index(Derived::dc_power)));
    CHECK(can_be_known(plan, plan.index(Derived::efficiency)));
    plan.roles.reflected.reset();
    CHECK_FALSE(can_be_known(plan, plan.index(Derived::vswr)));
}
