#include "formats/back_off_text.hpp"

#include <doctest/doctest.h>

#include "sample_plan.hpp"

using namespace dekeyd;

namespace {

std::string said(core::Reading back_off, core::State state = core::State::permitted) {
    const core::Plan plan = test::sample_plan();
    core::Snapshot snapshot;
    snapshot.state = state;
    snapshot.quantities.resize(plan.quantity_count());
    snapshot.quantities[plan.index(core::Derived::back_off)] = back_off;
    return formats::back_off_text(plan, snapshot);
}

}  // namespace

TEST_CASE("one sentence: nothing to do, so much, or stop; silent where it isn't known") {
    CHECK(said(test::good(0.0)) == "No need to back off: power, compression and heat are below their warnings.");
    CHECK(
        said(test::good(3.0)) ==
        "Back off by 3.0 dB, to 50 % of the power: power, compression and heat are then below their warnings.");  // 10^-0.3
    CHECK(said(test::good(20.0)).find("Stop transmitting") == 0);
    CHECK(said(test::good(0.0), core::State::latched).empty());
    CHECK(said({}).empty());
    CHECK(said({.health = core::Health::not_measurable, .fault = core::Fault::none}).empty());
    CHECK(formats::back_off_text(test::sample_plan(), core::Snapshot{}).empty());
}
