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
    CHECK(reason(plan, snapshot) == "Held over the network, no reason given; any operator's release ends it.");
    snapshot.memory.held_remotely = false;
    snapshot.memory.held_locally = true;
    CHECK(reason(plan, snapshot) == "Held at the amplifier, no reason given; released only there.");
    snapshot.memory.held_locally = false;

    snapshot.state = core::State::latched;
    snapshot.memory.first_start = true;
    CHECK(reason(plan, snapshot) == "First start: latched until an operator's first reset.");
    snapshot.memory.unreadable = true;
    CHECK(reason(plan, snapshot).starts_with("The last state can't be read"));
    stand(snapshot, test::vswr_limit, true);
    snapshot.causes[test::vswr_limit].latched = true;
    CHECK(reason(plan, snapshot).ends_with(": latched until an operator resets it."));
    CHECK(reason(plan, snapshot).starts_with("VSWR"));

    snapshot.state = core::State::locked_out;
    CHECK(reason(plan, snapshot).starts_with("Locked out"));
    CHECK(reason(plan, snapshot).find("VSWR") != std::string::npos);
}

namespace {

// 2026-11-28T14:02:00Z by `date -u -d 2026-11-28T14:02 +%s`.
constexpr std::int64_t two_past_two_s = 1'795'874'520;

}  // namespace

TEST_CASE("a hold says where, since when and why; the start's is called that, and neither hides another cause") {
    const core::Plan plan = test::sample_plan();
    core::Snapshot snapshot = all_clear(plan);
    snapshot.state = core::State::held;
    snapshot.memory.held_locally = true;
    formats::Notes notes;
    notes.local = {.at_s = two_past_two_s, .synchronised = true, .reason = "climber on the mast"};
    const seconds now{two_past_two_s + 60};
    CHECK(reason(plan, snapshot, notes, now) ==
          "Held at the amplifier since 14:02 UTC: 'climber on the mast'; released only there.");
    CHECK(reason(plan, snapshot, notes, now + std::chrono::hours{24}) ==
          "Held at the amplifier since 2026-11-28 14:02 UTC: 'climber on the mast'; released only there.");

    snapshot.memory.held_locally = false;
    snapshot.memory.held_remotely = true;
    notes.remote = {.at_s = two_past_two_s, .synchronised = false, .at_start = true};
    snapshot.causes[test::heatsink_limit].condition = Condition::unknown;  // never read, so no cause yet
    snapshot.quantities[0] = {.fault = core::Fault::absent};
    CHECK(reason(plan, snapshot, notes, now) ==
          "Held since the start at 14:02 UTC by a clock that was not set, as 'after_start: held' asks, until an "
          "operator's release. Also: Heatsink unknown (absent).");
}

TEST_CASE("all that stand are said, the gravest first, and a long list ends with a count") {
    const core::Plan plan = test::sample_plan();
    core::Snapshot snapshot = all_clear(plan);
    snapshot.state = core::State::latched;
    stand(snapshot, test::heatsink_limit, false);
    stand(snapshot, test::vswr_limit, false);
    snapshot.causes[test::vswr_limit].latched = true;
    snapshot.memory.held_locally = true;
    const std::string said = reason(plan, snapshot);
    CHECK(said.starts_with("VSWR"));
    CHECK(said.find(": latched until an operator resets it. Also: Heatsink 71.2 °C at or above 70.0 °C.") !=
          std::string::npos);
    CHECK(said.ends_with(" Held at the amplifier, no reason given; released only there."));
    for (std::size_t i = 0; i < snapshot.causes.size(); ++i) stand(snapshot, static_cast<core::SourceIndex>(i), false);
    REQUIRE(snapshot.causes.size() > 8);
    CHECK(reason(plan, snapshot).find(" more.") != std::string::npos);
}

TEST_CASE("a lockout says for what and since when") {
    core::Plan plan = test::sample_plan();
    plan.interlock.lockout_trips = 3;
    plan.interlock.lockout_window = std::chrono::minutes{10};
    plan.interlock.unclean_starts = 4;
    plan.interlock.unclean_window = std::chrono::hours{1};
    core::Snapshot snapshot = all_clear(plan);
    snapshot.state = core::State::locked_out;
    snapshot.memory.locked_out = true;
    snapshot.memory.trip_level = std::chrono::minutes{20};  // two windows, and none over them
    formats::Notes notes;
    notes.lockout = {.at_s = two_past_two_s, .synchronised = true};
    const seconds now{two_past_two_s + 60};
    CHECK(reason(plan, snapshot, notes, now) ==
          "Locked out since 14:02 UTC after 3 trips within 10 min or 4 unclean starts within 60 min; an operator must "
          "reset "
          "it.");
    snapshot.memory.trip_level += std::chrono::nanoseconds{1};
    CHECK(reason(plan, snapshot, notes, now) ==
          "Locked out since 14:02 UTC after 3 trips within 10 min; an operator must reset it.");
    snapshot.memory.trip_level = {};
    snapshot.memory.unclean_level = std::chrono::hours{4};
    CHECK(reason(plan, snapshot) == "Locked out after 4 unclean starts within 60 min; an operator must reset it.");
}
