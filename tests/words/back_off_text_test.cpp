#include "words/back_off_text.hpp"

#include <doctest/doctest.h>

#include "sample_plan.hpp"

using namespace dekeyd;

namespace {

/// A plan whose limits warn of all three, and a snapshot in which all three are known.
struct Running {
    core::Plan plan = test::sample_plan();
    core::Snapshot snapshot;

    Running() {
        plan.roles.drive = 2;
        plan.roles.supply = plan.roles.current = 0;
        plan.rf.small_signal_gain_db = 18.0;
        core::LimitPlan forward = plan.limits[0];
        forward.watch = 1;
        forward.trip = 120.0;
        forward.warn.reset();  // its trip is a level too
        core::LimitPlan compressed = plan.limits[0];
        compressed.watch = plan.index(core::Derived::compression);
        compressed.trip = 1.0;
        compressed.warn = 1.0;
        compressed.trips = false;
        plan.limits.push_back(forward);
        plan.limits.push_back(compressed);
        snapshot = core::Protection::blank(plan);
        for (core::Standing& standing : snapshot.standing) standing = core::Standing::watches;
        snapshot.state = core::State::permitted;
        snapshot.quantities[0] = test::good(48.0);
        snapshot.quantities[1] = test::good(100.0);
        at(core::Derived::compression) = test::good(0.4);
        at(core::Derived::thermal_resistance) = test::good(0.3);
    }
    core::Reading& at(core::Derived derived) { return snapshot.quantities[plan.index(derived)]; }
    std::string said(core::Reading back_off) {
        at(core::Derived::back_off) = back_off;
        return formats::back_off_text(plan, snapshot);
    }
};

}  // namespace

TEST_CASE("one sentence: nothing to do, so much, or stop; silent where it isn't known") {
    Running all;
    CHECK(all.said(test::good(0.0)) ==
          "No need to back off: forward power, compression and heat are below the levels that warn or trip.");
    CHECK(
        all.said(test::good(3.0)) ==
        "Back off by 3.0 dB, to 50 % of the power: forward power, compression and heat are then below the levels that "
        "warn or trip.");  // 10^-0.3
    CHECK(all.said(test::good(20.0)).find("Stop transmitting") == 0);
    CHECK(all.said({}).empty());
    CHECK(all.said({.health = core::Health::not_measurable, .fault = core::Fault::none}).empty());
    all.snapshot.state = core::State::latched;
    CHECK(all.said(test::good(0.0)).empty());
    CHECK(formats::back_off_text(test::sample_plan(), core::Snapshot{}).empty());
}

TEST_CASE("it reassures of nothing that no limit or no measurement covers") {
    Running unwarned;
    unwarned.plan.limits.pop_back();
    unwarned.at(core::Derived::compression) = test::good(1.7);
    CHECK(unwarned.said(test::good(0.0)) ==
          "By forward power and heat no need to back off. Not judged: compression, some 1.5 dB now and beyond the 1 dB "
          "point, "
          "of which no limit warns.");
    CHECK(
        unwarned.said(test::good(2.0)) ==
        "Back off by 2.0 dB, to 63 % of the power: forward power and heat are then below the levels that warn or trip. "
        "Not judged: compression, some 1.5 dB now and beyond the 1 dB point, of which no limit warns.");
    Running unknown;
    unknown.at(core::Derived::compression) = {.fault = core::Fault::stale};
    unknown.at(core::Derived::thermal_resistance) = {.health = core::Health::not_measurable};
    CHECK(unknown.said(test::good(0.0)) ==
          "By forward power no need to back off. Not judged: compression, which isn't known; heat, which isn't known "
          "yet.");
    Running resting;
    resting.snapshot.standing[2] = core::Standing::not_commissioning;
    CHECK(resting.said(test::good(0.0)) ==
          "By compression and heat no need to back off. Not judged: forward power, of which no limit warns.");
    Running nothing;
    for (core::Standing& standing : nothing.snapshot.standing) standing = core::Standing::gate_closed;
    CHECK(nothing.said(test::good(0.0)).find("No need") == std::string::npos);
    // What can't be measured at all on this amplifier isn't spoken of where nothing is missing for it.
    Running without;
    without.plan.roles.drive.reset();
    without.plan.limits.pop_back();
    without.at(core::Derived::compression) = {};
    CHECK(without.said(test::good(0.0)).find("Not judged: compression, which isn't measured") != std::string::npos);
}
