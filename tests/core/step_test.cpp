#include "core/protection.hpp"

#include <doctest/doctest.h>

#include <limits>

#include "core/timeline.hpp"

using namespace timeline;

TEST_CASE("starts inhibited and permits after the settling time, not before") {
    Bench b;
    CHECK(b.until(true, 3s) == 1s);
    CHECK(b.state() == State::permitted);
    CHECK(b.count(EventKind::tripped) == 0);
    CHECK(b.count(EventKind::permitted) == 1);
}

TEST_CASE("a sensor that never answers keeps it starting") {
    Bench b;
    b.faults[heatsink] = Fault::absent;
    CHECK(b.run(10s, false));
    CHECK(b.state() == State::starting);
    CHECK(b.count(EventKind::tripped) == 0);  // a start-up is nobody's trip
    b.faults[heatsink] = Fault::none;
    CHECK(b.until(true, 3s) == 1s);
}

TEST_CASE("over-temperature trips after its qualify time and re-arms below clear after the hold-off") {
    Bench b;
    REQUIRE(b.start());
    for (double c : {34.0, 38.0, 42.0, 46.0, 50.0, 54.0, 58.0, 62.0, 66.0}) {
        b.heatsink_c = c;
        CHECK(b.step());
    }
    CHECK(b.count(EventKind::warning) == 1);
    b.heatsink_c = 70.0;  // at the trip level is beyond it
    CHECK(b.until(false, 3s) == 1s);
    CHECK(b.state() == State::tripped);
    const Event* trip = b.last(EventKind::tripped);
    REQUIRE(trip != nullptr);
    CHECK(trip->source == hot);
    CHECK(trip->first_cause);
    CHECK(trip->reading.value == 70.0);
    CHECK(trip->level == 70.0);
    b.heatsink_c = 66.0;
    CHECK(b.run(20s, false));  // between clear and trip it stays tripped
    b.heatsink_c = 61.5;
    CHECK(b.run(2s, false));
    b.heatsink_c = 57.0;
    CHECK(b.run(2s, false));
    b.heatsink_c = 54.9;
    CHECK(b.until(true, 10s) == 5s);
    CHECK(b.count(EventKind::tripped) == 1);
    CHECK(b.count(EventKind::cleared) == 1);
}

TEST_CASE("VSWR trips with RF, latches, and a reset works only once RF is gone") {
    Bench b;
    REQUIRE(b.start());
    b.key(100.0, 0.2);  // VSWR 1.5
    CHECK(b.run(2s, true));
    CHECK(b.protection.snapshot().quantities[b.the_plan.index(Derived::vswr)].value == doctest::Approx(1.5));
    b.key(60.0, 0.36);  // VSWR 2.125, reflected 7.8 W: under its own limit
    CHECK(b.until(false, 1s) == 20ms);
    CHECK(b.last(EventKind::tripped)->source == vswr_high);
    CHECK(b.state() == State::latched);
    // RF still there: the reset changes nothing and says what stands.
    b.step({{CommandKind::reset, Origin::local, 7}});
    REQUIRE(b.last(EventKind::refused) != nullptr);
    CHECK(b.last(EventKind::refused)->source == vswr_high);
    CHECK(b.last(EventKind::refused)->command_id == 7);
    b.unkey();
    CHECK(b.run(20s, false));                                       // latched: nothing but a reset ends it
    CHECK_FALSE(b.step({{CommandKind::reset, Origin::local, 8}}));  // no command permits in its own step
    CHECK(b.last(EventKind::reset)->command_id == 8);
    CHECK(b.until(true, 1s) == 0ms);
    CHECK(b.count(EventKind::tripped) == 1);
}

TEST_CASE("after the de-key VSWR is not measurable, which neither clears nor trips an unlatched limit early") {
    Plan p = plan();
    p.limits[vswr_high].rearm = Rearm::automatic;
    p.limits[vswr_high].hold_off = 2s;
    Bench b{p};
    REQUIRE(b.start());
    b.key(60.0, 0.36);
    REQUIRE(b.until(false, 1s) >= 0s);
    b.forward_w = b.reflected_w = 0.0;  // the relay opened; the exciter goes on
    CHECK(b.run(10s, false));           // drive is present: no re-arm into it
    b.drive_w = 0.0;
    CHECK(b.until(true, 3s) == 0s);  // RF has been off for the hold-off long since
}

TEST_CASE("endless retries of an automatic VSWR limit end in lockout") {
    Plan p = plan();
    p.limits[vswr_high].rearm = Rearm::automatic;
    p.limits[vswr_high].hold_off = 1s;
    Bench b{p};
    REQUIRE(b.start());
    for (int trip = 1; trip <= 3; ++trip) {
        b.key(60.0, 0.36);
        REQUIRE(b.until(false, 1s) >= 0s);
        b.unkey();
        const bool came_back = b.until(true, 5s) >= 0s;
        CHECK(came_back == (trip < 3));
    }
    CHECK(b.state() == State::locked_out);
    CHECK(b.count(EventKind::locked_out) == 1);
    CHECK(b.run(700s, false));
    b.step({{CommandKind::reset, Origin::local, 1}});
    CHECK(b.until(true, 3s) >= 0s);
}

TEST_CASE("a closed gate is rest, an unknown gate is unknown") {
    Bench b;
    REQUIRE(b.start());
    b.key(0.2, 0.9);  // VSWR 19, but with 0.2 W: not measurable
    CHECK(b.run(1s, true));
    CHECK(b.protection.snapshot().quantities[b.the_plan.index(Derived::vswr)].health == Health::not_measurable);
    b.unkey();
    b.faults[forward] = Fault::io_error;
    const Duration lost = b.until(false, 1s);
    CHECK(lost >= 80ms);
    CHECK(lost <= 120ms);  // its allowed age
    CHECK(b.protection.snapshot().causes[vswr_high].active);
    CHECK(b.protection.snapshot().causes[vswr_high].condition == Condition::unknown);
    CHECK_FALSE(b.protection.snapshot().causes[vswr_high].latched);
    b.faults[forward] = Fault::none;
    CHECK(b.until(true, 5s) >= 0s);
}

TEST_CASE("key-up and key-down within a scan are not a VSWR") {
    Bench b;
    REQUIRE(b.start());
    for (int i = 0; i < 20; ++i) {
        b.forward_w = 0.0;  // key-up between forward and reflected
        b.reflected_w = 4.0;
        b.forward_again_w = 100.0;
        CHECK(b.step());
        b.key(100.0, 0.2);
        b.forward_again_w = -1.0;
        CHECK(b.step());
        CHECK(b.step());
        b.forward_w = 100.0;  // key-down before reflected
        b.reflected_w = 0.0;
        b.forward_again_w = 0.0;
        CHECK(b.step());
        b.unkey();
        b.forward_again_w = -1.0;
        CHECK(b.run(200ms, true));
    }
}

TEST_CASE("reflected at or above forward, with power, trips and latches") {
    Bench b;
    REQUIRE(b.start());
    b.forward_w = 8.0;
    b.reflected_w = 9.0;
    CHECK(b.until(false, 1s) >= 0s);
    CHECK(b.state() == State::latched);
    const SourceIndex exceeds = source_of(b.the_plan, Builtin::reflected_exceeds_forward);
    CHECK(b.protection.snapshot().causes[exceeds].active);
    // Gone with the RF: what was bad is bad no more, and a reset ends it.
    b.unkey();
    b.run(2s, false);
    CHECK(b.protection.snapshot().causes[exceeds].condition == Condition::clear);
    b.step({{.kind = CommandKind::reset, .origin = Origin::local}});
    CHECK(b.until(true, 2s) >= 0s);
}

TEST_CASE("forward power over rated: the peak of the two forward readings counts") {
    Bench b;
    REQUIRE(b.start());
    b.key(100.0, 0.1);
    CHECK(b.run(1s, true));
    b.forward_again_w = 125.0;
    CHECK(b.until(false, 1s) == 20ms);  // one step to see it, and its qualify time of 10 ms has passed at the next
    CHECK(b.last(EventKind::tripped)->source == forward_high);
    b.forward_again_w = -1.0;
    b.unkey();
    CHECK(b.until(true, 5s) == 1s);
}

TEST_CASE("a detector driven beyond its window is outside, not missing") {
    Bench b;
    REQUIRE(b.start());
    b.key(100.0, 0.1);
    CHECK(b.run(100ms, true));
    b.faults[reflected] = Fault::saturated_low;  // this detector falls with power
    CHECK(b.until(false, 1s) <= 40ms);
    CHECK(b.protection.snapshot().causes[reflected_high].condition == Condition::bad);
    CHECK(b.state() == State::latched);
}

TEST_CASE("a detector at the other end of the converter is a fault") {
    Bench b;
    REQUIRE(b.start());
    b.faults[reflected] = Fault::saturated_high;
    CHECK(b.until(false, 1s) >= 80ms);
    CHECK(b.protection.snapshot().causes[reflected_high].condition == Condition::unknown);
    CHECK(b.state() == State::tripped);
}

TEST_CASE("85 degC at power-on is no reading: a lone one is forgiven, a lasting one is a lost sensor") {
    Bench b;
    b.heatsink_c = 85.0;
    b.step();
    CHECK(b.protection.snapshot().quantities[heatsink].health == Health::unknown);
    b.heatsink_c = 30.0;
    b.step();
    CHECK(b.protection.snapshot().quantities[heatsink].value == 30.0);
    REQUIRE(b.start());
    b.heatsink_c = 85.0;  // a lone jump
    CHECK(b.step());
    b.heatsink_c = 30.0;
    CHECK(b.run(3s, true));
    b.heatsink_c = 84.9375;  // a jump elsewhere that lasts is the truth
    CHECK(b.until(false, 3s) <= 1100ms);
    CHECK(b.last(EventKind::tripped)->reading.value == 84.9375);
}

TEST_CASE(
    "a thermometer that loses its supply while transmitting inhibits by its age, though its limit lies above 85") {
    Plan p = plan();
    p.limits[hot].trip = 90.0;
    p.limits[hot].warn.reset();
    Bench b{p};
    REQUIRE(b.start());
    b.heatsink_c = 85.0;
    const Duration took = b.until(false, 10s);
    CHECK(took > 1s);
    CHECK(took <= p.channels[heatsink].allowed_age + 100ms);
    CHECK(b.run(60s, false));
}

TEST_CASE("a real 85 degC reached step by step is believed at once") {
    Plan p = plan();
    p.limits[hot].trip = 95.0;
    p.limits[hot].warn.reset();
    Bench b{p};
    REQUIRE(b.start());
    for (double c = 34.0; c <= 86.0; c += 3.0) {
        b.heatsink_c = c;
        b.step();
        CHECK(b.protection.snapshot().quantities[heatsink].value == c);
    }
    b.heatsink_c = 85.0;
    b.step();
    CHECK(b.protection.snapshot().quantities[heatsink].value == 85.0);
}

TEST_CASE("supply sag at key-up is shorter than its qualify time; a repeating one is not forgiven") {
    Bench b;
    REQUIRE(b.start());
    b.supply_v = 22.0;
    CHECK(b.run(300ms, true));
    b.supply_v = 28.0;
    CHECK(b.run(5s, true));
    // 300 ms in every 600: the timer decays slowly, it doesn't start again at zero.
    bool permit = true;
    int sags = 0;
    for (; sags < 6 && permit; ++sags) {
        b.supply_v = 22.0;
        permit = b.run(300ms, true) && permit;
        b.supply_v = 28.0;
        permit = b.run(300ms, true) && permit;
    }
    CHECK_FALSE(permit);
    CHECK(sags <= 3);
}

TEST_CASE("a contact inhibits at once, a short opening between scans is not lost, closing waits") {
    Bench b;
    REQUIRE(b.start());
    b.lid_openings = 1;  // opened and closed again since the last scan
    CHECK_FALSE(b.step());
    CHECK(b.last(EventKind::tripped)->source == lid_open);
    CHECK(b.until(true, 5s) == 1s);  // hold-off from the first scan that saw it closed
}

TEST_CASE("overdrive clears although the exciter goes on, and re-arms only without drive") {
    Bench b;
    REQUIRE(b.start());
    b.drive_w = 3.5;
    b.forward_w = 100.0;
    CHECK(b.until(false, 1s) >= 0s);
    CHECK(b.last(EventKind::tripped)->source == overdrive);
    b.forward_w = 0.0;
    b.drive_w = 1.0;
    CHECK(b.run(5s, false));
    b.drive_w = 0.0;
    CHECK(b.until(true, 1s) == 0s);
}

TEST_CASE("two causes: both are kept, the first is marked, re-arming needs both gone") {
    Bench b;
    REQUIRE(b.start());
    b.key(100.0, 0.1);
    b.run(100ms, true);
    b.drive_w = 3.5;
    REQUIRE(b.until(false, 1s) >= 0s);
    b.unkey();
    b.lid_closed = 0.0;
    b.run(5s, false);
    const auto& causes = b.protection.snapshot().causes;
    CHECK(causes[lid_open].active);
    CHECK_FALSE(causes[lid_open].first);
    CHECK_FALSE(causes[overdrive].active);
    CHECK(b.state() == State::tripped);
    CHECK(b.count(EventKind::tripped) == 2);
    b.lid_closed = 1.0;
    CHECK(b.until(true, 3s) == 1s);
}

TEST_CASE("the line's read-back disagrees: inhibit, and an operator must look") {
    Bench b;
    REQUIRE(b.start());
    b.line_lies = true;
    CHECK_FALSE(b.step());
    b.line_lies = false;
    CHECK(b.run(5s, false));
    CHECK(b.state() == State::latched);
}

TEST_CASE("RF while inhibited is noticed after the release time, not during it") {
    Bench b;
    REQUIRE(b.start());
    b.key(100.0, 0.1);
    b.run(100ms, true);
    b.drive_w = 3.5;
    REQUIRE(b.until(false, 1s) >= 0s);
    const auto alarm = source_of(b.the_plan, Builtin::rf_while_inhibited);
    b.run(40ms, false);
    CHECK_FALSE(b.protection.snapshot().causes[alarm].active);
    b.run(100ms, false);
    CHECK(b.protection.snapshot().causes[alarm].active);
    CHECK(b.protection.snapshot().causes[alarm].latched);
}

TEST_CASE("a guard that misses its deadline several times running inhibits") {
    Bench b;
    REQUIRE(b.start());
    b.now += 300ms;
    CHECK(b.step());
    b.step();
    for (int i = 0; i < 3; ++i) {
        b.now += 300ms;
        b.step();
    }
    CHECK_FALSE(b.protection.snapshot().permit);
    CHECK(b.protection.snapshot().overruns == 4);
    CHECK(b.until(true, 3s) >= 0s);
}

TEST_CASE("silence from every sampler inhibits within the shortest allowed age") {
    Bench b;
    REQUIRE(b.start());
    const Instant last = b.now - 20ms;
    Instant now = last;
    while (b.protection.snapshot().permit && now < last + 2s) {
        now += 10ms;
        b.protection.step({.now = now, .scans = {}, .commands = {}, .line = {.known = true, .permit = true}});
    }
    CHECK(now - last <= 110ms);
}

TEST_CASE("hold and release; a local hold is released only locally") {
    Bench b;
    REQUIRE(b.start());
    CHECK_FALSE(b.step({{CommandKind::hold, Origin::local, 1}}));
    CHECK(b.state() == State::held);
    b.step({{CommandKind::release, Origin::remote, 2}});
    CHECK(b.last(EventKind::refused)->command_id == 2);
    CHECK(b.run(1s, false));
    CHECK_FALSE(b.step({{CommandKind::release, Origin::local, 3}}));
    CHECK(b.until(true, 1s) == 0ms);
    b.step({{CommandKind::hold, Origin::remote, 4}});
    CHECK_FALSE(b.step({{CommandKind::release, Origin::remote, 5}}));
    CHECK(b.step());
    b.step({{CommandKind::release, Origin::local, 6}});
    CHECK(b.last(EventKind::refused)->command_id == 6);  // nothing is held
}

TEST_CASE("a first start is latched until the operator's first reset") {
    Memory memory;
    memory.first_start = true;
    Bench b{plan(), memory};
    CHECK(b.run(5s, false));
    CHECK(b.state() == State::latched);
    b.step({{CommandKind::reset, Origin::local, 1}});
    CHECK(b.until(true, 3s) == 0ms);
    CHECK_FALSE(b.protection.snapshot().memory.first_start);
}

TEST_CASE("a latch, a hold and a lockout survive a restart") {
    Memory memory;
    {
        Bench b;
        REQUIRE(b.start());
        b.key(60.0, 0.36);
        REQUIRE(b.until(false, 1s) >= 0s);
        memory = b.protection.snapshot().memory;
    }
    Bench b{plan(), memory};
    CHECK(b.run(10s, false));
    CHECK(b.state() == State::latched);
    b.step({{CommandKind::reset, Origin::remote, 1}});
    CHECK(b.until(true, 3s) == 0ms);
}

TEST_CASE("three unclean starts within their window lock out") {
    Memory memory;
    for (int start = 1; start <= 3; ++start) {
        Bench b{plan(), memory, true};
        const bool permitted = b.start();
        CHECK(permitted == (start < 3));
        memory = b.protection.snapshot().memory;
    }
    CHECK(memory.locked_out);
}

TEST_CASE("no value that is not a number passes") {
    for (const double bad : {std::numeric_limits<double>::quiet_NaN(), std::numeric_limits<double>::infinity(),
                             -std::numeric_limits<double>::infinity()}) {
        Bench b;
        REQUIRE(b.start());
        b.heatsink_c = bad;
        b.supply_v = bad;
        CHECK(b.until(false, 4s) >= 0s);
        for (const Reading& r : b.protection.snapshot().quantities) CHECK(std::isfinite(r.value));
    }
}

TEST_CASE("a stamp from the future does not keep a value young") {
    Bench b;
    REQUIRE(b.start());
    const std::array wire{Sample{.value = 30.0, .begun = b.now + 1h, .openings = 0, .fault = Fault::none}};
    const std::array scans{Scan{0, wire}};
    b.protection.step({.now = b.now, .scans = scans, .commands = {}, .line = {.known = true, .permit = true}});
    b.faults[heatsink] = Fault::empty;
    b.now += 20ms;
    CHECK(b.until(false, 4s) <= 3100ms);
}

TEST_CASE("faults are counted apart with RF present and absent") {
    Bench b;
    REQUIRE(b.start());
    b.key(50.0, 0.1);
    b.run(100ms, true);
    b.faults[heatsink] = Fault::bad_crc;
    b.run(100ms, true);
    const ChannelCount& counts = b.protection.snapshot().channels[heatsink];
    CHECK(counts.faults_keyed == 5);
    CHECK(counts.faults_idle == 0);
    CHECK(counts.last_fault == Fault::bad_crc);
}

TEST_CASE("a transmission begins with RF and ends after the hang time") {
    Bench b;
    REQUIRE(b.start());
    b.key(50.0, 0.1);
    b.run(2s, true);
    CHECK(b.count(EventKind::rf_on) == 1);
    b.unkey();
    b.run(900ms, true);
    CHECK(b.count(EventKind::rf_off) == 0);
    b.run(200ms, true);
    CHECK(b.count(EventKind::rf_off) == 1);
}

TEST_CASE("equal inputs give equal outputs") {
    Bench a, b;
    for (Bench* bench : {&a, &b}) {
        bench->start();
        bench->key(80.0, 0.25);
        bench->run(3s, true);
        bench->heatsink_c = 34.9;
        bench->run(1s, true);
    }
    for (std::size_t i = 0; i < a.protection.snapshot().quantities.size(); ++i) {
        CHECK(a.protection.snapshot().quantities[i].value == b.protection.snapshot().quantities[i].value);
    }
    CHECK(a.events.size() == b.events.size());
}

TEST_CASE("a plan whose indices don't fit is refused at construction") {
    Plan p = plan();
    p.limits[0].watch = 999;
    CHECK_THROWS_AS((Protection{p, {}, false}), std::invalid_argument);
    p = plan();
    p.channels[heatsink].slot = 9;
    CHECK_THROWS_AS((Protection{p, {}, false}), std::invalid_argument);
}

TEST_CASE("monitor-only never permits, whatever would be allowed, and RF is not held against it") {
    Plan p = plan();
    p.supervision.monitor_only = true;
    Bench b{p};
    CHECK(b.run(3s, false));
    CHECK(b.state() == State::permitted);  // what it would be
    CHECK(b.protection.snapshot().monitor_only);
    b.key(50.0, 0.1);
    CHECK(b.run(3s, false));
    CHECK(b.state() == State::permitted);
    b.heatsink_c = 90.0;
    CHECK(b.run(5s, false));
    CHECK(b.state() == State::tripped);
}

TEST_CASE("longest transmission: warned before, de-keyed, and free again after RF was off") {
    Plan p = plan();
    p.supervision.longest_transmission = 5s;
    p.supervision.transmission_warning = 1s;
    Bench b{p};
    REQUIRE(b.start());
    b.key(50.0, 0.1);
    CHECK(b.run(3900ms, true));
    CHECK(b.count(EventKind::transmission_ending) == 0);
    CHECK(b.run(1s, true));
    CHECK(b.count(EventKind::transmission_ending) == 1);
    CHECK(b.until(false, 1s) >= 0ms);
    b.unkey();
    CHECK(b.until(true, 5s) >= 500ms);
    CHECK(b.protection.snapshot().memory.trip_level == 0s);  // a long over is no fault: not counted
}

TEST_CASE("no permit before the storage has the start; it stays starting, and then settles") {
    Bench b{plan(), {}, false, false};
    const SourceIndex waits = source_of(b.the_plan, Builtin::start_not_stored);
    CHECK(b.run(30s, false));
    CHECK(b.state() == State::starting);
    CHECK(b.protection.snapshot().causes[waits].condition == Condition::band);
    CHECK(b.count(EventKind::tripped) == 0);  // it waits; nothing is wrong with the amplifier
    b.step({{CommandKind::hold, Origin::local, 1}});
    b.step({{CommandKind::release, Origin::local, 2}});
    CHECK(b.run(5s, false));
    b.step({{CommandKind::noted, Origin::none, 0}});
    CHECK(b.until(true, 3s) >= 900ms);  // the settling time begins only now
    CHECK(b.run(10s, true));
    CHECK(b.protection.snapshot().memory.trip_level == 0s);
}

TEST_CASE("a cause knows whether it was ever seen beyond its trip") {
    Bench b;
    REQUIRE(b.start());
    b.faults[heatsink] = Fault::absent;
    CHECK(b.until(false, 30s) >= 0ms);
    const auto cause = [&] { return b.protection.snapshot().causes[hot]; };
    REQUIRE(cause().active);
    CHECK(cause().gravest == Condition::unknown);
    b.faults[heatsink] = Fault::none;
    b.run(2s, false);
    CHECK(cause().condition == Condition::clear);
    CHECK(cause().gravest == Condition::unknown);
    for (const double c : {34.0, 38.0, 42.0, 46.0, 50.0, 54.0, 58.0, 62.0, 66.0, 70.0, 74.0}) {
        b.heatsink_c = c;
        b.run(1s, false);
    }
    b.run(5s, false);
    CHECK(cause().gravest == Condition::bad);
    b.heatsink_c = 71.0;
    b.run(2s, false);
    b.heatsink_c = 50.0;
    CHECK(b.until(true, 300s) >= 0ms);
    CHECK(cause().gravest == Condition::clear);
}

TEST_CASE("what the second opinion took away latches, names its reason, and accuses nothing else") {
    Bench b;
    REQUIRE(b.start());
    b.run(1s, true);
    const Command objected{CommandKind::objected, Origin::none, 0, forward_high};
    // The line went to inhibit in the step before, whatever was decided there.
    b.line_lies = true;
    CHECK_FALSE(b.step({objected}));
    b.line_lies = false;
    CHECK(b.state() == State::latched);
    CHECK(b.count(EventKind::tripped) == 1);
    const Event* trip = b.last(EventKind::tripped);
    CHECK(trip->source == source_of(b.the_plan, Builtin::second_opinion));
    CHECK(trip->about == forward_high);
    CHECK(trip->level == 120.0);
    CHECK(trip->reading.health == Health::at_floor);  // what the decision has of it
    CHECK(trip->first_cause);
    CHECK(trip->state == State::latched);
    CHECK(b.protection.memory().latched[trip->source]);
    CHECK(b.run(10s, false));
    CHECK(b.count(EventKind::tripped) == 1);
    b.step({{CommandKind::reset, Origin::local, 1}});
    CHECK(b.until(true, 1s) >= 0ms);
    // The latch outlasts a restart.
    Memory memory;
    memory.latched.assign(source_count(b.the_plan), false);
    memory.latched[source_of(plan(), Builtin::second_opinion)] = true;
    Bench again{plan(), memory};
    CHECK(again.run(10s, false));
    CHECK(again.state() == State::latched);
}

TEST_CASE("the second opinion ends a proof test, and is no order") {
    CHECK_FALSE(is_order(CommandKind::objected));
    Bench b;
    REQUIRE(b.start());
    b.step({{CommandKind::hold, Origin::local, 1}});
    b.step();
    b.step({{CommandKind::prove, Origin::local, 2}});
    b.step({{CommandKind::prove_line, Origin::local, 3}});
    REQUIRE(b.until(true, 1s) >= 0ms);
    b.line_lies = true;
    CHECK_FALSE(b.step({{CommandKind::objected, Origin::none, 0, heatsink}}));
    b.line_lies = false;
    b.step();
    REQUIRE(b.last(EventKind::proof_ended) != nullptr);
    CHECK(b.last(EventKind::proof_ended)->why == ProofEnd::cause);
    CHECK(b.count(EventKind::tripped) == 1);
    CHECK(b.run(10s, false));
}

TEST_CASE("what a start itself raises is to be had before the first decision") {
    Plan p = plan();
    p.interlock.unclean_starts = 2;
    Memory memory;
    for (const bool locked : {false, true}) {
        const Protection protection{p, memory, true, false};
        memory = protection.memory();
        CHECK(memory.unclean_level > 0s);
        CHECK(memory.locked_out == locked);
    }
}

TEST_CASE("a stuck relay: the contactor drops the supply, latches, and comes back only after a reset") {
    Plan p = plan();
    p.supervision.contactor = true;
    p.supervision.contactor_time = 200ms;
    p.limits[supply_low].while_supplied = true;
    Bench b{p};
    b.supply_v = 0.0;  // behind the open contactor
    b.run(60ms, false);
    CHECK(b.protection.snapshot().contactor_closed);
    b.supply_v = 28.0;
    REQUIRE(b.start());
    b.key(100.0, 0.1);
    b.run(100ms, true);
    b.drive_w = 3.5;
    REQUIRE(b.until(false, 1s) >= 0s);
    b.run(300ms, false);  // RF goes on
    CHECK_FALSE(b.protection.snapshot().contactor_closed);
    CHECK(b.count(EventKind::contactor_opened) == 1);
    b.unkey();
    b.supply_v = 0.0;
    CHECK(b.run(5s, false));
    CHECK(b.state() == State::latched);
    b.supply_v = 28.0;
    CHECK(b.run(2s, false));
    b.step({{CommandKind::reset, Origin::local, 1}});
    CHECK(b.until(true, 3s) >= 0s);
}

TEST_CASE("a stuck relay into drive: the contactor opens once, and stays open until a reset") {
    Plan p = plan();
    p.supervision.contactor = true;
    p.supervision.contactor_time = 200ms;
    p.limits[supply_low].while_supplied = true;
    Bench b{p};
    REQUIRE(b.start());
    b.key(100.0, 0.1);
    b.run(100ms, true);
    b.drive_w = 3.5;
    REQUIRE(b.until(false, 1s) >= 0s);
    for (int i = 0; i < 500; ++i) {  // RF goes on as long as there is a supply
        const bool supplied = b.protection.snapshot().contactor_closed;
        b.supply_v = supplied ? 28.0 : 0.0;
        if (supplied)
            b.key(100.0, 0.1);
        else
            b.unkey();
        b.step();
    }
    CHECK_FALSE(b.protection.snapshot().contactor_closed);
    CHECK(b.count(EventKind::contactor_opened) == 1);
    b.step({{CommandKind::reset, Origin::local, 1}});
    b.run(50ms, false);
    CHECK(b.protection.snapshot().contactor_closed);
}

TEST_CASE("a limit that only warns: never trips, ends at its clear level, and doesn't stand in for its sensor") {
    Plan p = plan();
    p.limits.erase(p.limits.begin());
    LimitPlan warm = limit("warm", heatsink, 50.0, 47.0, 0s, 0s, Rearm::automatic);
    warm.warn = 50.0;
    warm.trips = false;
    p.limits.push_back(warm);
    Bench b{p};
    REQUIRE(b.start());
    for (double c : {34.0, 38.0, 42.0, 46.0, 49.9}) {
        b.heatsink_c = c;
        CHECK(b.step());
    }
    CHECK(b.count(EventKind::warning) == 0);
    for (double c : {50.0, 49.0, 50.1, 47.1, 50.0}) {
        b.heatsink_c = c;
        CHECK(b.step());
    }
    CHECK(b.count(EventKind::warning) == 1);  // no chatter above 47
    CHECK(b.count(EventKind::warning_over) == 0);
    b.heatsink_c = 46.9;
    CHECK(b.step());
    CHECK(b.count(EventKind::warning_over) == 1);
    for (double c : {51.0, 55.0, 60.0, 65.0, 70.0, 75.0, 80.0}) {
        b.heatsink_c = c;
        CHECK(b.step());
    }
    CHECK(b.count(EventKind::tripped) == 0);
    b.faults[heatsink] = Fault::absent;
    CHECK(b.until(false, 10s) >= 0s);
}

namespace {

/// Forward waits for its calibration; while commissioning it may be 12 W at the high end of its interval.
Plan uncalibrated_plan() {
    Plan p = plan();
    p.channels[forward].power->calibration_pending = true;
    p.supervision.commissioning = 10s;
    LimitPlan cap = limit("commissioning-forward", forward, 12.0, 0.0, 0s, 1s, Rearm::latched);
    cap.clear_by = ClearBy::rf_off;
    cap.edge = Edge::high;
    cap.provisional = true;
    p.limits.push_back(cap);
    return p;
}
constexpr SourceIndex commissioning_cap = 7;

Command commission(Origin origin = Origin::local) {
    return {CommandKind::commission, origin, 5};
}

}  // namespace

TEST_CASE("a detector that waits for its calibration permits nothing; commissioning does, for its time") {
    Bench b{uncalibrated_plan()};
    CHECK(b.run(5s, false));
    CHECK(b.protection.snapshot().causes[source_of(b.the_plan, Builtin::uncalibrated)].active);
    CHECK_FALSE(b.step({commission()}));  // no command permits in its own step
    CHECK(b.last(EventKind::commissioning)->command_id == 5);
    const Duration permitted = b.until(true, 5s);
    REQUIRE(permitted >= 1s);
    b.key(7.0, 0.1);  // 7 W and what the detector's law leaves open: under 12 W
    CHECK(b.run(10s - permitted - 40ms, true));
    CHECK(b.until(false, 100ms) >= 0ms);  // its time is up: RF or not
    CHECK(b.count(EventKind::commissioning_over) == 1);
    CHECK(b.last(EventKind::tripped)->source == source_of(b.the_plan, Builtin::uncalibrated));
    b.unkey();
    CHECK(b.run(30s, false));
    CHECK(b.count(EventKind::locked_out) == 0);
}

TEST_CASE("the provisional limit counts the detector's doubt against the amplifier, and rests at other times") {
    Bench b{uncalibrated_plan()};
    b.step({commission()});
    REQUIRE(b.until(true, 5s) >= 0s);
    b.key(11.0, 0.1);  // the reading is below 12 W; what it may be in truth is not
    CHECK(b.until(false, 100ms) >= 0ms);
    CHECK(b.last(EventKind::tripped)->source == commissioning_cap);
    CHECK(b.state() == State::latched);

    Plan calibrated = uncalibrated_plan();
    calibrated.channels[forward].power->calibration_pending = false;
    Bench c{calibrated};
    REQUIRE(c.start());
    c.key(80.0, 0.1);
    CHECK(c.run(1s, true));
    c.step({commission()});  // caps what was free before
    CHECK(c.until(false, 100ms) >= 0ms);
    CHECK(c.last(EventKind::tripped)->source == commissioning_cap);
}

TEST_CASE("commissioning is local, configured, and can be ended before its time") {
    Bench b{uncalibrated_plan()};
    b.step({commission(Origin::remote)});
    CHECK(b.last(EventKind::refused)->command == CommandKind::commission);
    CHECK(b.run(5s, false));
    b.step({{CommandKind::end_commissioning, Origin::local, 6}});
    CHECK(b.last(EventKind::refused)->command_id == 6);
    b.step({commission()});
    REQUIRE(b.until(true, 5s) >= 0s);
    b.step({{CommandKind::end_commissioning, Origin::remote, 7}});
    CHECK(b.last(EventKind::refused)->command_id == 7);
    CHECK(b.step());
    b.step({{CommandKind::end_commissioning, Origin::local, 8}});
    CHECK(b.last(EventKind::commissioning_over)->command_id == 8);
    CHECK_FALSE(b.step());

    Plan without = uncalibrated_plan();
    without.supervision.commissioning.reset();
    Bench never{without};
    never.step({commission()});
    CHECK(never.count(EventKind::refused) == 1);
    CHECK(never.run(10s, false));
}

TEST_CASE("commissioning goes on in a replay, and not over a restart") {
    Bench b{uncalibrated_plan()};
    b.step({commission()});
    REQUIRE(b.until(true, 5s) >= 0s);
    Bench replayed{uncalibrated_plan()};
    REQUIRE(replayed.protection.take_state(b.protection.state()));
    CHECK(replayed.protection.snapshot().commissioning_until == b.protection.snapshot().commissioning_until);
    Bench restarted{uncalibrated_plan(), b.protection.snapshot().memory};
    CHECK(restarted.run(10s, false));
}
