#include "words/reason.hpp"

#include <doctest/doctest.h>

#include "sample_plan.hpp"

using namespace dekeyd;
using core::Condition;
using formats::reason;
using std::chrono::seconds;

namespace {

core::Snapshot all_clear(const core::Plan& plan) {
    core::Snapshot snapshot = core::Protection::blank(plan);
    for (core::Cause& cause : snapshot.causes) cause.condition = Condition::clear;
    snapshot.quantities[0] = test::good(71.2);
    return snapshot;
}

void stand(core::Snapshot& snapshot, core::SourceIndex source, bool first) {
    snapshot.causes[source].active = true;
    snapshot.causes[source].first = first;
    snapshot.causes[source].condition = Condition::bad;
}

}  // namespace

TEST_CASE("a reading that was lost and is back is not said to have been beyond the trip") {
    const core::Plan plan = test::sample_plan();
    core::Snapshot snapshot = all_clear(plan);
    snapshot.state = core::State::tripped;
    core::Cause& cause = snapshot.causes[test::heatsink_limit];
    cause.active = cause.first = true;
    cause.gravest = Condition::unknown;
    CHECK(reason(plan, snapshot).find("Heatsink was unknown and waits to clear") != std::string::npos);
    cause.gravest = Condition::bad;
    CHECK(reason(plan, snapshot).find("Heatsink was at or above 70.0 °C and waits to clear") != std::string::npos);
}

TEST_CASE("permitted, stopping and monitor-only are told apart") {
    const core::Plan plan = test::sample_plan();
    core::Snapshot snapshot = all_clear(plan);
    snapshot.state = core::State::permitted;
    snapshot.permit = true;
    CHECK(reason(plan, snapshot) == "Nothing stands against the permit.");
    snapshot.permit = false;
    CHECK(reason(plan, snapshot) == "The daemon stops, and inhibits.");
    snapshot.monitor_only = true;
    CHECK(reason(plan, snapshot).find("monitor-only") != std::string::npos);
}

TEST_CASE("starting names what is missing, then the time that is left") {
    const core::Plan plan = test::sample_plan();
    core::Snapshot snapshot = all_clear(plan);
    snapshot.state = core::State::starting;
    snapshot.now = core::Instant{seconds{100}};
    snapshot.settled_since = core::Instant{seconds{98}};
    CHECK(reason(plan, snapshot) == "Starting: all readings are good; settling for another 3.0 s.");
    snapshot.causes[test::heatsink_sensor].condition = Condition::unknown;
    snapshot.quantities[0] = {.fault = core::Fault::absent};
    CHECK(reason(plan, snapshot).starts_with("Starting: Heatsink"));
    CHECK(reason(plan, snapshot).find("absent") != std::string::npos);
}

TEST_CASE("of two causes the one that took the permit away is named") {
    const core::Plan plan = test::sample_plan();
    core::Snapshot snapshot = all_clear(plan);
    snapshot.state = core::State::tripped;
    stand(snapshot, test::heatsink_limit, false);
    stand(snapshot, test::vswr_limit, true);
    CHECK(reason(plan, snapshot).find("VSWR") != std::string::npos);
    snapshot.causes[test::vswr_limit].first = false;
    snapshot.causes[test::heatsink_limit].first = true;
    CHECK(reason(plan, snapshot).find("71.2") != std::string::npos);
}

TEST_CASE("each of an operator's states says who ends it") {
    const core::Plan plan = test::sample_plan();
    core::Snapshot snapshot = all_clear(plan);
    snapshot.state = core::State::held;
    snapshot.memory.held_remotely = true;
    CHECK(reason(plan, snapshot) == "Held by an operator, until released.");
    snapshot.memory.held_locally = true;
    CHECK(reason(plan, snapshot) == "Held by an operator here, until released here.");

    snapshot.state = core::State::latched;
    snapshot.memory.first_start = true;
    CHECK(reason(plan, snapshot) == "First start: latched until an operator's first reset.");
    snapshot.memory.unreadable = true;
    CHECK(reason(plan, snapshot).starts_with("The last state can't be read"));
    stand(snapshot, test::vswr_limit, true);
    snapshot.causes[test::vswr_limit].latched = true;
    CHECK(reason(plan, snapshot).ends_with("latched until an operator resets it."));
    CHECK(reason(plan, snapshot).find("VSWR") != std::string::npos);

    snapshot.state = core::State::locked_out;
    CHECK(reason(plan, snapshot).starts_with("Locked out"));
    CHECK(reason(plan, snapshot).find("VSWR") != std::string::npos);
}
