// Every transition from inhibit to permit: its conditions, after any history.
#include <doctest/doctest.h>

#include "core/timeline.hpp"

using namespace timeline;

TEST_CASE("a permit needs drive absent: after a start, an unclean one, a release and a reset") {
    Plan p = plan();
    const double level = p.rf.drive_absent_w;
    for (const bool unclean : {false, true}) {
        Bench b{p, {}, unclean};
        b.drive_w = level * 1.001;
        CHECK(b.run(3s, false));
        CHECK(b.protection.snapshot().state == State::starting);
        CHECK(b.protection.snapshot().drive_awaited);
        b.drive_w = level * 0.999;
        CHECK(b.step());
        CHECK_FALSE(b.protection.snapshot().drive_awaited);
        b.drive_w = 1.0;  // a permit that stands isn't taken away
        CHECK(b.run(1s, true));
        b.step({{CommandKind::hold, Origin::local, 1}});
        b.step({{CommandKind::release, Origin::local, 2}});
        CHECK(b.run(2s, false));
        b.faults[drive] = Fault::io_error;  // drive that can't be told isn't absent
        CHECK(b.run(2s, false));
        b.faults[drive] = Fault::none;
        b.drive_w = 0.0;
        CHECK(b.until(true, 10s) >= 0s);
    }
    Memory memory;
    memory.first_start = true;
    Bench b{p, memory};
    b.drive_w = 1.0;
    b.run(3s, false);
    b.step({{CommandKind::reset, Origin::local, 1}});
    CHECK(b.count(EventKind::reset) == 1);
    CHECK(b.run(2s, false));
    b.drive_w = 0.0;
    CHECK(b.step());
}

TEST_CASE("a permit with drive: an exciter that never pauses is said by name") {
    Plan p = plan();
    p.supervision.continuous_drive = true;
    Bench b{p};
    b.drive_w = 1.0;
    CHECK(b.start());
    b.heatsink_c = 75.0;
    CHECK(b.until(false, 3s) >= 0s);
    b.heatsink_c = 50.0;
    CHECK(b.until(true, 20s) >= 0s);
}

TEST_CASE("a limit that comes into force is unknown until its next look: provisional") {
    Plan p = plan();
    p.supervision.commissioning = 600s;
    p.limits.push_back(limit("provisional", heatsink, 50.0, 45.0, 0s, 0s, Rearm::latched));
    p.limits.back().provisional = true;
    const std::size_t last = p.limits.size() - 1;
    Bench b{p};
    b.heatsink_c = 52.0;
    REQUIRE(b.start());
    b.faults[heatsink] = Fault::not_in_scan;
    b.step({{CommandKind::commission, Origin::local, 1}});
    CHECK(b.run(1s, false));
    CHECK(b.protection.snapshot().causes[last].condition == Condition::unknown);
    CHECK_FALSE(b.protection.snapshot().causes[last].latched);
    b.faults[heatsink] = Fault::none;
    b.step();
    CHECK(b.protection.snapshot().causes[last].latched);
}

TEST_CASE("a limit that comes into force is unknown until its next look: the supply's") {
    Plan p = plan();
    p.supervision.contactor = true;
    p.limits[supply_low].while_supplied = true;
    p.channels[supply].allowed_age = 10s;
    Bench b{p};
    b.supply_v = 0.0;
    b.run(300ms, false);
    REQUIRE(b.protection.snapshot().contactor_closed);
    b.faults[supply] = Fault::not_in_scan;
    CHECK(b.run(3s, false));
    b.faults[supply] = Fault::none;
    b.supply_v = 28.0;
    CHECK(b.until(true, 3s) >= 0s);
}
