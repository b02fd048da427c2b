#include "words/event_text.hpp"

#include <doctest/doctest.h>

#include <limits>
#include <nlohmann/json.hpp>

#include "sample_plan.hpp"

using namespace dekeyd;
using core::Event;
using core::EventKind;
using formats::sentence;

namespace {

Event event(EventKind kind, core::SourceIndex source = core::no_source) {
    Event made;
    made.number = 7;
    made.at = core::Instant{std::chrono::milliseconds{12'345}};
    made.kind = kind;
    made.source = source;
    return made;
}

Event vswr_trip() {
    Event trip = event(EventKind::tripped, test::vswr_limit);
    trip.first_cause = true;
    trip.condition = core::Condition::bad;
    trip.reading = test::good(2.41);
    trip.level = 2.0;
    trip.state = core::State::latched;
    return trip;
}

}  // namespace

TEST_CASE("a proof test that is refused says what stands beside the hold") {
    const core::Plan plan = test::sample_plan();
    Event refused = event(EventKind::refused);
    refused.command = core::CommandKind::prove;
    refused.why = core::ProofEnd::cause;
    const auto said = [&](core::State state) {
        refused.state = state;
        return sentence(plan, refused);
    };
    CHECK(
        said(core::State::latched) ==
        "Prove refused: a latch stands too: 'dekeyctl status' says which, 'dekeyctl reset' ends it. Nothing changed.");
    CHECK(said(core::State::locked_out) ==
          "Prove refused: the lockout stands too: 'dekeyctl status' says why, 'dekeyctl reset' ends it. Nothing "
          "changed.");
    CHECK(said(core::State::held) ==
          "Prove refused: a hold over the network or of the start stands too, or the readings still settle: 'dekeyctl "
          "status' "
          "says "
          "which. Nothing changed.");
    refused.source = test::heatsink_limit;
    CHECK(said(core::State::held).find("another cause than the local hold stands (") != std::string::npos);
    refused.source = core::no_source;
    refused.why = core::ProofEnd::commissioning;
    CHECK(said(core::State::held) ==
          "Prove refused: commissioning runs, with other limits and detectors not calibrated yet; 'dekeyctl commission "
          "--end' ends it. Nothing changed.");
}

TEST_CASE("a station that measures no drive and sees no contactor is told how it could be proven") {
    core::Plan plan = test::sample_plan();
    plan.roles.drive.reset();
    Event refused = event(EventKind::refused);
    refused.command = core::CommandKind::prove;
    refused.why = core::ProofEnd::drive_present;
    const std::string text = sentence(plan, refused);
    CHECK(text.starts_with("Prove refused: neither is drive measured here"));
    CHECK(
        text.find("a sensor with 'role: drive', or a 'contactor:' and a contact sensor with 'role: contactor_sense'") !=
        std::string::npos);
    CHECK(text.find("by hand") != std::string::npos);
    plan.roles.drive = 1;  // it is measured, and not absent
    CHECK(sentence(plan, refused).starts_with("Prove refused: drive is not measured absent"));
    plan.roles.drive.reset();
    plan.supervision.contactor = true;  // its contacts are seen, and not open
    plan.roles.contactor_sense = 0;
    CHECK(sentence(plan, refused).starts_with("Prove refused: drive is not measured absent"));
    plan.roles.contactor_sense.reset();  // unseen, it doesn't count
    CHECK(sentence(plan, refused).starts_with("Prove refused: neither is drive measured here"));
}

TEST_CASE("a limit that judges the uncertain end says that end") {
    core::Plan plan = test::sample_plan();
    core::LimitPlan& limit = plan.limits[test::heatsink_limit];
    core::Reading reading = test::good(66.5);
    reading.low = 62.0;
    reading.high = 70.5;
    const auto words = [&](core::Edge edge) {
        limit.edge = edge;
        return formats::cause_in_words(plan, test::heatsink_limit, {.condition = core::Condition::bad}, &reading);
    };
    CHECK(words(core::Edge::high) == "Heatsink 66.5 °C, at most 70.5 °C, at or above 70.0 °C");
    reading.high = core::unbounded;
    CHECK(words(core::Edge::high) == "Heatsink 66.5 °C, without an upper bound, at or above 70.0 °C");
    reading.value = 71.2;
    CHECK(words(core::Edge::high) == "Heatsink 71.2 °C at or above 70.0 °C");
    CHECK(words(core::Edge::reading) == "Heatsink 71.2 °C at or above 70.0 °C");
    limit.direction = core::Direction::below;
    reading.low = 69.5;
    CHECK(words(core::Edge::low) == "Heatsink 71.2 °C, at least 69.5 °C, at or below 70.0 °C");
}

TEST_CASE("numbers carry the digits that their unit deserves") {
    using core::Unit;
    CHECK(formats::with_unit(66.24, Unit::celsius) == "66.2 °C");
    CHECK(formats::with_unit(104.4, Unit::watt) == "104 W");
    CHECK(formats::with_unit(99.96, Unit::watt) == "100 W");
    CHECK(formats::with_unit(5.126, Unit::watt) == "5.13 W");
    CHECK(formats::with_unit(0.0312, Unit::watt) == "31.2 mW");
    CHECK(formats::with_unit(1.0 / 3.0, Unit::none) == "0.333");
    CHECK(formats::with_unit(0.00005, Unit::watt) == "50.0 µW");
    CHECK(formats::with_unit(-0.01, Unit::celsius) == "0.0 °C");
    CHECK(formats::to_words(std::numeric_limits<double>::quiet_NaN(), Unit::watt) == "unknown");
}

TEST_CASE("a reading that isn't a plain value says so") {
    core::Reading reading = test::good(0.05);
    reading.health = core::Health::at_floor;
    CHECK(formats::in_words(reading, core::Unit::watt) == "at most 50.0 mW");
    reading.health = core::Health::above_range;
    CHECK(formats::in_words(reading, core::Unit::watt) == "at least 50.0 mW");
    reading.health = core::Health::not_measurable;
    CHECK(formats::in_words(reading, core::Unit::watt) == "not measurable");
    reading = {};
    CHECK(formats::in_words(reading, core::Unit::watt) == "unknown (never read)");
    CHECK(formats::in_words(test::good(core::unbounded), core::Unit::second) == "never");
}

TEST_CASE("a trip says by what, by how much, with what power, and how it ends") {
    const core::Plan plan = test::sample_plan();
    std::vector<core::Reading> around(plan.quantity_count());
    around[1] = test::good(104.2);
    CHECK(sentence(plan, vswr_trip(), around) ==
          "Tripped: VSWR 2.41 at or above 2.00; forward 104 W. Latched until an operator resets it.");
    CHECK(sentence(plan, vswr_trip()) == "Tripped: VSWR 2.41 at or above 2.00. Latched until an operator resets it.");

    Event heatsink = event(EventKind::tripped, test::heatsink_limit);
    heatsink.condition = core::Condition::bad;
    heatsink.reading = test::good(70.4);
    heatsink.state = core::State::latched;  // by another cause: this one re-arms by itself
    CHECK(sentence(plan, heatsink).ends_with("Another cause is latched: an operator must reset it."));
    heatsink.state = core::State::tripped;
    CHECK(sentence(plan, heatsink, around) ==
          "Another cause: Heatsink 70.4 °C at or above 70.0 °C. Clears by itself once it has been below 55.0 °C for 30 "
          "s.");
    heatsink.condition = core::Condition::unknown;
    heatsink.reading = {};
    heatsink.reading.fault = core::Fault::stale;
    heatsink.first_cause = true;
    heatsink.state = core::State::locked_out;
    CHECK(sentence(plan, heatsink) == "Tripped: Heatsink unknown (stale). Locked out until an operator resets it.");

    Event sensor = event(EventKind::tripped, test::forward_sensor);
    sensor.condition = core::Condition::unknown;
    sensor.reading.fault = core::Fault::below_window;
    sensor.state = core::State::tripped;
    CHECK(sentence(plan, sensor) ==
          "Another cause: Forward power: below its valid window. Clears by itself once its cause "
          "has been gone for 10 s.");
}

TEST_CASE("a limit that has come into force and was not looked at yet says that it waits") {
    core::Plan plan = test::sample_plan();
    core::Cause cause;
    cause.condition = core::Condition::unknown;
    const core::Reading good = test::good(20.0);
    const auto words = [&](const core::Reading& reading) {
        return formats::cause_in_words(plan, test::heatsink_limit, cause, &reading);
    };
    CHECK(words(good) == "Heatsink unknown");  // one that is in force at all times
    for (bool core::LimitPlan::*rests : {&core::LimitPlan::while_supplied, &core::LimitPlan::provisional}) {
        plan.limits[test::heatsink_limit].*rests = true;
        CHECK(words(good) == "Heatsink waits for its first reading since its limit came into force");
        core::Reading lost;
        lost.fault = core::Fault::absent;
        CHECK(words(lost) == "Heatsink unknown (absent)");
        plan.limits[test::heatsink_limit].*rests = false;
    }
    // Where a gate may be what isn't known, the reading says nothing of it.
    plan.limits[test::vswr_limit].while_supplied = true;
    plan.limits[test::vswr_limit].gate = core::Gate{1, 6.0, core::Direction::above};
    CHECK(formats::cause_in_words(plan, test::vswr_limit, cause, &good) == "VSWR unknown");
}

TEST_CASE("commands and their refusals") {
    const core::Plan plan = test::sample_plan();
    Event held = event(EventKind::held);
    held.origin = core::Origin::remote;
    CHECK(sentence(plan, held) == "Held remotely.");
    Event refused = event(EventKind::refused, test::vswr_limit);
    refused.command = core::CommandKind::reset;
    CHECK(sentence(plan, refused) == "Reset refused: VSWR still stands. Nothing changed.");
    refused = event(EventKind::refused);
    refused.command = core::CommandKind::reset;
    CHECK(sentence(plan, refused) == "Reset refused: nothing is latched. Nothing changed.");
    refused.command = core::CommandKind::release;
    refused.origin = core::Origin::remote;
    refused.state = core::State::held;
    CHECK(sentence(plan, refused) == "Release refused: no hold that may be released remotely stands. Nothing changed.");
}

TEST_CASE("every kind with every kind of source gives a sentence that ends") {
    const core::Plan plan = test::sample_plan();
    std::vector<core::SourceIndex> sources{core::no_source};
    for (std::size_t s = 0; s < core::source_count(plan); ++s) sources.push_back(static_cast<core::SourceIndex>(s));
    for (std::size_t kind = 0; kind < core::event_kind_count; ++kind) {
        for (const core::SourceIndex source : sources) {
            // Core gives these a source always.
            const auto what = static_cast<EventKind>(kind);
            if (source == core::no_source && (what == EventKind::tripped || what == EventKind::sensor_lost)) continue;
            const std::string text = sentence(plan, event(what, source));
            CAPTURE(text);
            CHECK(text.size() > 5);
            CHECK(text.back() == '.');
        }
    }
}

TEST_CASE("the event's object is whole and finite") {
    const core::Plan plan = test::sample_plan();
    const formats::WallStamp stamp{std::chrono::seconds{951782400}, true};
    CHECK(formats::event_json(plan, vswr_trip(), stamp).dump() ==
          R"({"number":7,"at_s":12.345,"wall":"2000-02-29T00:00:00.000Z","synchronised":true,"kind":"tripped",)"
          R"("severity":"alarm","sign":"■",)"
          R"("source":"vswr","state":"latched","first_cause":true,"condition":"bad","value":2.41,"unit":"",)"
          R"("level":2.0,"origin":"none","command_id":0,)"
          R"("text":"Tripped: VSWR 2.41 at or above 2.00. Latched until an operator resets it."})");

    Event strange = event(EventKind::sensor_lost, test::heatsink_sensor);
    strange.reading.value = std::numeric_limits<double>::infinity();
    const auto json = formats::event_json(plan, strange, {});
    CHECK(json["value"].is_null());
    CHECK(json["level"].is_null());
    CHECK(json["unit"] == "°C");
    CHECK(json["source"] == "heatsink");
}

TEST_CASE("a calibration that is pending says whose, and what permits meanwhile") {
    core::Plan plan = test::sample_plan();
    plan.channels[1].power->calibration_pending = true;
    plan.supervision.commissioning = std::chrono::minutes{20};
    const core::SourceIndex source = core::source_of(plan, core::Builtin::uncalibrated);
    core::Event event;
    event.kind = EventKind::tripped;
    event.source = source;
    event.state = core::State::tripped;
    event.condition = core::Condition::bad;
    event.first_cause = true;
    CHECK(sentence(plan, event) ==
          "Tripped: Not calibrated: Forward power. 'dekeyctl calibrate' mends it; 'dekeyctl commission' permits for a "
          "while, under provisional limits.");
    event.kind = EventKind::refused;
    event.command = core::CommandKind::reset;
    CHECK(sentence(plan, event) ==
          "Reset refused: Not calibrated: Forward power; 'dekeyctl commission' first, and where it has begun, reset "
          "again "
          "after 10 s. Nothing changed.");
    event.source = core::no_source;
    event.kind = EventKind::commissioning;
    CHECK(sentence(plan, event) == "Commissioning begins, for 20 min: provisional limits hold.");
    event.state = core::State::latched;
    CHECK(sentence(plan, event) ==
          "Commissioning begins, for 20 min: provisional limits hold. It permits nothing before 'dekeyctl reset': a "
          "latch, "
          "or that of the first start, stands.");
    event.state = core::State::locked_out;
    CHECK(sentence(plan, event).ends_with(" It permits nothing before 'dekeyctl reset': the lockout stands."));
    event.state = core::State::held;
    CHECK(sentence(plan, event).ends_with(" It permits nothing before 'dekeyctl release': a hold stands."));
    event.state = core::State::starting;
    event.kind = EventKind::refused;
    event.command = core::CommandKind::commission;
    CHECK(sentence(plan, event) == "Commission refused: the configuration has no 'commissioning:'. Nothing changed.");
}

TEST_CASE("a sleep of the machine says how long it was") {
    const core::Plan plan = test::sample_plan();
    Event trip = event(EventKind::tripped, core::source_of(plan, core::Builtin::suspended));
    trip.first_cause = true;
    trip.state = core::State::latched;
    trip.reading = {};
    trip.reading.value = 1200.0;
    CHECK(sentence(plan, trip) ==
          "Tripped: the machine slept for 20 min, and nothing was guarded; earlier readings no longer count. Latched "
          "until an operator resets it.");
}

TEST_CASE("the second opinion says what it had against the permit, and what the decision has of the same") {
    const core::Plan plan = test::sample_plan();
    Event trip = event(EventKind::tripped, core::source_of(plan, core::Builtin::second_opinion));
    trip.first_cause = true;
    trip.state = core::State::latched;
    trip.reading = test::good(31.0);
    trip.about = test::heatsink_limit;
    CHECK(sentence(plan, trip) ==
          "Tripped: the second opinion: Heatsink was beyond its raw bound for too long, and the decision, which has "
          "31.0 °C, permitted. One of the two is broken. Latched until an operator resets it.");
    trip.about = test::heatsink_sensor;
    CHECK(sentence(plan, trip) ==
          "Tripped: the second opinion: Heatsink was silent for too long, and the decision, which has 31.0 °C, "
          "permitted. One of the two is broken. Latched until an operator resets it.");
    for (const core::SourceIndex about : {core::no_source, static_cast<core::SourceIndex>(500)}) {
        trip.about = about;
        CHECK(sentence(plan, trip).starts_with("Tripped: the second opinion: it didn't say which."));
    }
}
