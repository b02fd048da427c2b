// Every transition from inhibit to permit: what it needs, whatever came before.
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
