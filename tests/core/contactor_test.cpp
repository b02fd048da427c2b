// The supply contactor: what it was told, what its pad reads, and what its contacts do.
#include <doctest/doctest.h>

#include "timeline.hpp"

using namespace timeline;

namespace {

const Cause& cause(Bench& b, Builtin which) {
    return b.protection.snapshot().causes[source_of(b.the_plan, which)];
}

bool told_to_close(Bench& b) {
    return b.protection.snapshot().contactor_closed;
}

Command order(CommandKind kind) {
    return {.kind = kind, .origin = Origin::local, .id = 7};
}

/// Permitted, then RF goes on while inhibited: the contactor is told to open.
void open_by_alarm(Bench& b) {
    REQUIRE(b.start());
    b.key(100.0, 0.1);
    b.run(100ms, true);
    b.drive_w = 3.5;
    REQUIRE(b.until(false, 1s) >= 0s);
    for (int i = 0; i < 100 && told_to_close(b); ++i) b.step();
    REQUIRE_FALSE(told_to_close(b));
}

}  // namespace

TEST_CASE("a contactor whose contacts follow is no cause") {
    Bench b{with_contactor()};
    open_by_alarm(b);
    b.unkey();
    CHECK(b.run(5s, false));
    b.step({order(CommandKind::reset)});
    CHECK(b.until(true, 3s) >= 0s);
    CHECK(told_to_close(b));
    for (const Builtin which :
         {Builtin::contactor_stuck_closed, Builtin::contactor_stuck_open, Builtin::contactor_line_mismatch}) {
        for (const Event& e : b.events)
            CHECK_FALSE((e.kind == EventKind::tripped && e.source == source_of(b.the_plan, which)));
    }
}

TEST_CASE("a welded contactor is found when it is told to open, after its time and not before, and latches") {
    Bench b{with_contactor()};
    REQUIRE(b.start());
    b.contactor_closed = true;
    open_by_alarm(b);
    const Instant told = b.now - 20ms;
    while (cause(b, Builtin::contactor_stuck_closed).condition != Condition::bad && b.now < told + 5s) b.step();
    CHECK(b.now - told == 240ms);  // the order's step, its first look one later, 200 ms, and this step
    CHECK(cause(b, Builtin::contactor_stuck_closed).latched);
    b.unkey();
    CHECK(b.run(5s, false));
    CHECK_FALSE(told_to_close(b));  // never seen open
    b.events.clear();
    b.step({order(CommandKind::reset)});
    REQUIRE(b.last(EventKind::refused) != nullptr);
    CHECK(b.run(5s, false));
    b.contactor_closed.reset();
    b.run(2s, false);
    b.step({order(CommandKind::reset)});
    CHECK(b.until(true, 5s) >= 0s);
}

TEST_CASE("a contactor that was welded before the start is found by it") {
    Bench b{with_contactor()};
    b.contactor_closed = true;
    CHECK(b.run(5s, false));
    CHECK_FALSE(told_to_close(b));
    CHECK(cause(b, Builtin::contactor_stuck_closed).latched);
}

TEST_CASE("one look that contradicts is a bounce") {
    Bench b{with_contactor()};
    b.forward_w = 50.0;  // it isn't told to close
    b.run(1s, false);
    REQUIRE_FALSE(told_to_close(b));
    b.contactor_closed = true;
    b.run(180ms, false);
    b.contactor_closed.reset();
    b.run(2s, false);
    CHECK_FALSE(cause(b, Builtin::contactor_stuck_closed).active);
    b.contactor_closed = true;
    b.step();
    b.faults[contactor_contact] = Fault::not_in_scan;  // no further look: an old one is no long contradiction
    b.run(180ms, false);
    b.faults[contactor_contact] = Fault::none;
    b.contactor_closed.reset();
    b.run(2s, false);
    CHECK_FALSE(cause(b, Builtin::contactor_stuck_closed).active);
}

TEST_CASE("a contactor that drops, or never closes, takes the permit away and gives it back by itself") {
    Bench b{with_contactor()};
    b.contactor_closed = false;
    CHECK(b.run(5s, false));
    CHECK(told_to_close(b));
    CHECK(cause(b, Builtin::contactor_stuck_open).condition == Condition::bad);
    CHECK_FALSE(cause(b, Builtin::contactor_stuck_open).latched);
    b.contactor_closed.reset();
    CHECK(b.until(true, 5s) >= 500ms);
    b.contactor_closed = false;
    const Duration dropped = b.until(false, 5s);
    CHECK(dropped >= 200ms);
    CHECK(dropped <= 240ms);
    CHECK(b.protection.snapshot().memory.trip_level > 0s);  // it counts
    b.contactor_closed.reset();
    CHECK(b.until(true, 5s) >= 500ms);
}

TEST_CASE("contacts that nothing tells of count as unknown, and the contactor isn't closed on them") {
    Bench b{with_contactor()};
    b.faults[contactor_contact] = Fault::absent;
    CHECK(b.run(5s, false));
    CHECK_FALSE(told_to_close(b));
    b.faults[contactor_contact] = Fault::none;
    CHECK(b.until(true, 5s) >= 0s);
    b.faults[contactor_contact] = Fault::io_error;
    CHECK(b.until(false, 1s) >= 0s);
    CHECK(cause(b, Builtin::contactor_stuck_open).condition == Condition::unknown);
    CHECK_FALSE(cause(b, Builtin::contactor_stuck_open).latched);
    CHECK(told_to_close(b));
    b.faults[contactor_contact] = Fault::none;
    CHECK(b.until(true, 5s) >= 500ms);
}

TEST_CASE("the contactor's pad is judged as the permit line's is") {
    Plan p = plan();
    p.supervision.contactor = true;
    for (const bool stuck : {false, true}) {
        CAPTURE(stuck);
        Bench b{p};
        if (stuck)
            b.forward_w = 50.0;  // it isn't told to close
        else
            REQUIRE(b.start());
        b.run(100ms, !stuck);
        REQUIRE(told_to_close(b) != stuck);
        b.contactor_pad = stuck;
        b.step();
        CHECK_FALSE(b.protection.snapshot().permit);
        CHECK(cause(b, Builtin::contactor_line_mismatch).latched);
    }
    Bench unread{p};
    unread.contactor_unread = true;
    CHECK(unread.run(5s, false));
    CHECK(cause(unread, Builtin::contactor_line_mismatch).condition == Condition::unknown);
    Bench none;  // no contactor: nothing to read
    none.contactor_unread = true;
    none.contactor_pad = true;
    CHECK(none.start());
}

TEST_CASE("a proof test doesn't lean on a contactor that was told to open and didn't") {
    Plan p = plan();
    p.roles.drive.reset();
    p.limits.erase(p.limits.begin() + overdrive);
    Bench b{with_contactor(p)};
    REQUIRE(b.start());
    b.step({order(CommandKind::hold)});
    b.run(200ms, false);
    b.contactor_closed = true;
    b.step({order(CommandKind::prove)});
    REQUIRE(b.last(EventKind::proof_begun) != nullptr);
    b.run(180ms, false);
    b.events.clear();
    b.step({order(CommandKind::prove_line)});
    REQUIRE(b.last(EventKind::refused) != nullptr);
    CHECK(b.last(EventKind::refused)->why == ProofEnd::supplied);
    CHECK(b.run(5s, false));
    REQUIRE(b.last(EventKind::proof_ended) != nullptr);
    CHECK(b.last(EventKind::proof_ended)->source == source_of(b.the_plan, Builtin::contactor_stuck_closed));

    Bench closes{with_contactor(p)};  // open at first: in the middle of a pulse it is seen closed
    REQUIRE(closes.start());
    closes.step({order(CommandKind::hold)});
    closes.run(200ms, false);
    closes.step({order(CommandKind::prove)});
    closes.run(1s, false);
    closes.step({order(CommandKind::prove_line)});
    REQUIRE(closes.until(true, 1s) >= 0s);
    closes.contactor_closed = true;
    CHECK(closes.until(false, 100ms) >= 0s);
    CHECK(closes.run(100ms, false));
}
