// daemon/core/proof.cpp, by timelines against the whole of core.
#include "core/proof.hpp"

#include <doctest/doctest.h>

#include "timeline.hpp"

using namespace timeline;

namespace {

Command order(CommandKind kind, std::uint16_t limit = 0, Origin origin = Origin::local) {
    return {.kind = kind, .origin = origin, .id = 7, .limit = limit};
}

struct Held : Bench {
    explicit Held(Plan p = plan()) : Bench{std::move(p)} {
        REQUIRE(start());
        step({order(CommandKind::hold)});
        REQUIRE(state() == State::held);
        run(200ms, false);
    }
    const Event& answer(CommandKind kind, std::uint16_t limit = 0, Origin origin = Origin::local) {
        events.clear();
        step({order(kind, limit, origin)});
        for (const Event& e : events)
            if (e.command_id == 7) return e;
        static const Event none;
        return none;
    }
    void begin() { REQUIRE(answer(CommandKind::prove).kind == EventKind::proof_begun); }
    // Steps at permit until the part has its answer.
    Duration at_permit(EventKind kind, Duration most) {
        Duration length{};
        for (const Instant end = now + most; now < end && last(kind) == nullptr;)
            if (step()) length += 20ms;
        return length;
    }
    [[nodiscard]] ProofPhase phase() const { return protection.snapshot().proof.phase; }
};

// A limit that is slow, one that is quick, one whose gate is closed.
void settle(Held& bench) {
    for (int i = 0; i < 500 && !bench.protection.snapshot().causes.empty(); ++i) {
        bench.step({order(CommandKind::reset)});
        bool any = false;
        for (const Cause& cause : bench.protection.snapshot().causes) any = any || cause.active;
        if (!any) return;
    }
}

}  // namespace

TEST_CASE("it needs a local hold, no RF and no drive, and nothing else that stands") {
    Bench free;
    REQUIRE(free.start());
    free.step({order(CommandKind::prove)});
    CHECK(free.last(EventKind::refused)->why == ProofEnd::not_held);

    Held bench;
    CHECK(bench.answer(CommandKind::prove, 0, Origin::remote).why == ProofEnd::not_local);
    CHECK(bench.answer(CommandKind::prove_line).why == ProofEnd::not_begun);
    CHECK(bench.answer(CommandKind::prove_limit, hot).why == ProofEnd::not_begun);
    bench.drive_w = 0.1;
    bench.step();
    CHECK(bench.answer(CommandKind::prove).why == ProofEnd::drive_present);
    bench.drive_w = 0.0;
    bench.faults[drive] = Fault::io_error;
    bench.run(200ms, false);
    CHECK(bench.answer(CommandKind::prove).kind == EventKind::refused);  // drive can't be told
    bench.faults[drive] = Fault::none;
    bench.run(2s, false);
    bench.faults[forward] = Fault::io_error;
    bench.run(200ms, false);
    CHECK(bench.answer(CommandKind::prove).why == ProofEnd::rf_present);  // RF can't be told
    bench.faults[forward] = Fault::none;
    bench.run(3s, false);
    bench.supply_v = 20.0;
    bench.run(1s, false);
    const Event& refused = bench.answer(CommandKind::prove);
    CHECK(refused.why == ProofEnd::cause);
    CHECK(refused.source == supply_low);
    bench.supply_v = 28.0;
    bench.run(3s, false);
    CHECK(bench.answer(CommandKind::hold, 0, Origin::remote).kind == EventKind::held);
    CHECK(bench.answer(CommandKind::prove).why == ProofEnd::cause);  // a remote hold is one thing more
}

TEST_CASE("the line goes to permit once, for two seconds, and back; the hold stands all the time") {
    Held bench;
    bench.begin();
    CHECK(bench.phase() == ProofPhase::ready);
    bench.run(1s, false);
    CHECK_FALSE(bench.step({order(CommandKind::prove_line)}));  // no order permits in its own step
    const Duration up = bench.at_permit(EventKind::proof_line, 10s);
    CHECK(up >= 2s);
    CHECK(up < 2200ms);
    const Event& result = *bench.last(EventKind::proof_line);
    CHECK(result.why == ProofEnd::passed);
    CHECK(result.command_id == 7);
    CHECK(result.times.line_on > 0s);
    CHECK(result.times.line_off > 0s);
    CHECK(bench.state() == State::held);
    CHECK(bench.run(5s, false));
    CHECK(bench.count(EventKind::permitted) == 0);  // a pulse of a test is none
}

TEST_CASE("each limit trips by its injection, and the line is at permit for moments only") {
    Held bench;
    bench.begin();
    CHECK(bench.answer(CommandKind::prove_limit, 99).why == ProofEnd::unprovable);
    for (std::uint16_t limit = 0; limit < bench.the_plan.limits.size(); ++limit) {
        CAPTURE(limit);
        bench.events.clear();
        bench.step({order(CommandKind::prove_limit, limit)});
        const Duration up = bench.at_permit(EventKind::proof_limit, 61s);
        const Event* result = bench.last(EventKind::proof_limit);
        REQUIRE(result != nullptr);
        CHECK(result->why == ProofEnd::passed);
        CHECK(result->source == limit);
        CHECK(result->times.line_off >= bench.the_plan.limits[limit].qualify);
        CHECK(result->times.line_off <= bench.the_plan.limits[limit].qualify + 60ms);
        CHECK(up > 0s);
        CHECK(up <= Proof::lead + 40ms);
        const Event* trip = bench.last(EventKind::tripped);
        REQUIRE(trip != nullptr);
        CHECK(trip->forced);
        CHECK_FALSE(trip->first_cause);
        CHECK(bench.phase() == ProofPhase::ready);
        // Before its cause is gone the next one is refused, by name.
        const Event& refused = bench.answer(CommandKind::prove_limit, limit);
        CHECK(refused.why == ProofEnd::cause);
        CHECK(refused.source == limit);
        settle(bench);
    }
    CHECK(bench.protection.snapshot().memory.trip_level == 0s);                  // a forced trip is not counted
    CHECK(bench.answer(CommandKind::prove_passed).why == ProofEnd::unfinished);  // the line wasn't driven
    bench.step({order(CommandKind::prove_line)});
    bench.events.clear();
    bench.at_permit(EventKind::proof_line, 10s);
    CHECK(bench.answer(CommandKind::prove_passed).kind == EventKind::proof_passed);
    CHECK(bench.phase() == ProofPhase::none);
}

TEST_CASE("RF, drive, a cause, a lost reading and a release each end it at once, inhibited") {
    for (int what = 0; what < 6; ++what) {
        CAPTURE(what);
        Held bench;
        bench.begin();
        bench.step({order(CommandKind::prove_line)});
        REQUIRE(bench.until(true, 100ms) >= 0s);
        bench.events.clear();
        ProofEnd why = ProofEnd::none;
        std::vector<Command> commands;
        if (what == 0) bench.forward_w = 2.0, why = ProofEnd::rf_present;
        if (what == 1) bench.drive_w = 0.1, why = ProofEnd::drive_present;
        if (what == 2) bench.lid_closed = 0.0, why = ProofEnd::cause;
        if (what == 3) bench.line_lies = true, why = ProofEnd::cause;
        if (what == 4) commands = {order(CommandKind::release)}, why = ProofEnd::not_held;
        if (what == 5) commands = {order(CommandKind::prove_end)}, why = ProofEnd::left;
        CHECK_FALSE(bench.step(commands));
        REQUIRE(bench.last(EventKind::proof_ended) != nullptr);
        CHECK(bench.last(EventKind::proof_ended)->why == why);
        CHECK(bench.phase() == ProofPhase::none);
        if (what != 4) CHECK(bench.run(5s, false));
    }
    Held bench;  // forward can't be told any more: within its allowed age
    bench.begin();
    bench.step({order(CommandKind::prove_line)});
    REQUIRE(bench.until(true, 100ms) >= 0s);
    bench.faults[forward] = Fault::io_error;
    CHECK(bench.until(false, 200ms) >= 0s);
    CHECK(bench.phase() == ProofPhase::none);
}

TEST_CASE("what is injected ends by itself, and a limit that doesn't trip has failed") {
    Plan slow = plan();
    slow.limits[hot].qualify = 61s;
    Held cant{slow};
    cant.begin();
    CHECK(cant.answer(CommandKind::prove_limit, hot).why == ProofEnd::unprovable);

    Held bench;
    bench.begin();
    bench.answer(CommandKind::prove_limit, supply_low);
    CHECK(bench.protection.snapshot().proof.injects == false);
    bench.step();
    CHECK(bench.protection.snapshot().proof.injects);
    CHECK(bench.protection.snapshot().proof.limit == supply_low);
    CHECK(bench.protection.snapshot().quantities[supply].value == doctest::Approx(28.0));  // what is shown stays true
    const Duration up = bench.at_permit(EventKind::proof_limit, 61s);
    CHECK(up <= Proof::lead + 40ms);
    // Nobody asks for anything: it ends after a while.
    bench.run(2s, false);
    bench.events.clear();
    for (int i = 0; i < 31'000 && bench.phase() != ProofPhase::none; ++i) bench.step();
    REQUIRE(bench.last(EventKind::proof_ended) != nullptr);
    CHECK(bench.last(EventKind::proof_ended)->why == ProofEnd::expired);
}

TEST_CASE("a sensor without news: the line isn't kept at permit for its sake") {
    Plan p = plan();
    p.channels[heatsink].allowed_age = 60s;
    p.limits[hot].qualify = 0s;
    Held bench{p};
    bench.begin();
    bench.faults[heatsink] = Fault::not_in_scan;
    bench.events.clear();
    bench.step({order(CommandKind::prove_limit, hot)});
    const Duration up = bench.at_permit(EventKind::proof_limit, 61s);
    REQUIRE(bench.last(EventKind::proof_limit) != nullptr);
    CHECK(bench.last(EventKind::proof_limit)->why == ProofEnd::not_tripped);
    CHECK(up >= Proof::longest_permit);
    CHECK(up <= Proof::longest_permit + 40ms);
    CHECK(bench.run(1s, false));
    CHECK(bench.phase() == ProofPhase::ready);
    CHECK_FALSE(bench.protection.snapshot().proof.injects);
}

TEST_CASE("a limit that was forced, and then trips by itself, is a cause like any other") {
    Held bench;
    bench.begin();
    bench.step({order(CommandKind::prove_limit, hot)});
    bench.at_permit(EventKind::proof_limit, 61s);
    REQUIRE(bench.last(EventKind::tripped) != nullptr);
    CHECK(bench.last(EventKind::tripped)->forced);
    bench.run(6s, false);  // its hold-off
    REQUIRE(bench.last(EventKind::cleared) != nullptr);
    CHECK(bench.last(EventKind::cleared)->forced);
    REQUIRE(bench.phase() == ProofPhase::ready);
    bench.events.clear();
    for (int i = 0; i < 8; ++i) {  // no jump, which would be a fault of the sensor
        bench.heatsink_c += 5.5;
        bench.run(1500ms, false);
    }
    REQUIRE(bench.last(EventKind::tripped) != nullptr);
    CHECK_FALSE(bench.last(EventKind::tripped)->forced);
    CHECK(bench.last(EventKind::tripped)->reading.value > 70.0);
    REQUIRE(bench.last(EventKind::proof_ended) != nullptr);
    CHECK(bench.last(EventKind::proof_ended)->why == ProofEnd::cause);
    CHECK(bench.last(EventKind::proof_ended)->source == hot);
}

TEST_CASE("a forced trip is marked so even where the test ends in the same step") {
    Held bench;
    bench.begin();
    bench.step({order(CommandKind::prove_limit, lid_open)});
    while (!bench.protection.snapshot().proof.injects) bench.step();
    bench.events.clear();
    bench.step({order(CommandKind::prove_end)});
    REQUIRE(bench.last(EventKind::tripped) != nullptr);
    CHECK(bench.last(EventKind::tripped)->forced);
    CHECK(bench.phase() == ProofPhase::none);
}

TEST_CASE("a limit that passed and then fails is not proved") {
    Plan p = plan();
    p.channels[heatsink].allowed_age = 60s;
    p.limits[hot].qualify = 0s;
    Held bench{p};
    bench.begin();
    bench.step({order(CommandKind::prove_line)});
    bench.at_permit(EventKind::proof_line, 10s);
    for (std::uint16_t limit = 0; limit < p.limits.size(); ++limit) {
        bench.events.clear();
        bench.step({order(CommandKind::prove_limit, limit)});
        bench.at_permit(EventKind::proof_limit, 61s);
        settle(bench);
    }
    bench.faults[heatsink] = Fault::not_in_scan;
    bench.events.clear();
    bench.step({order(CommandKind::prove_limit, hot)});
    bench.at_permit(EventKind::proof_limit, 61s);
    REQUIRE(bench.last(EventKind::proof_limit)->why == ProofEnd::not_tripped);
    bench.faults[heatsink] = Fault::none;
    bench.step();
    const Event& refused = bench.answer(CommandKind::prove_passed);
    CHECK(refused.why == ProofEnd::unfinished);
    CHECK(refused.source == hot);
}

TEST_CASE("no test while commissioning, and commissioning ends one") {
    Plan p = plan();
    p.supervision.commissioning = 10min;
    Held bench{p};
    bench.step({order(CommandKind::commission)});
    CHECK(bench.answer(CommandKind::prove).why == ProofEnd::commissioning);
    bench.step({order(CommandKind::end_commissioning)});
    // In one step, in either order: commissioning is seen first.
    bench.events.clear();
    bench.step({order(CommandKind::prove), order(CommandKind::commission)});
    REQUIRE(bench.last(EventKind::refused) != nullptr);
    CHECK(bench.last(EventKind::refused)->why == ProofEnd::commissioning);
    bench.step({order(CommandKind::end_commissioning)});
    bench.begin();
    bench.step({order(CommandKind::prove_line)});
    REQUIRE(bench.until(true, 100ms) >= 0s);
    bench.events.clear();
    CHECK_FALSE(bench.step({order(CommandKind::commission)}));
    REQUIRE(bench.last(EventKind::proof_ended) != nullptr);
    CHECK(bench.last(EventKind::proof_ended)->why == ProofEnd::commissioning);
    CHECK(bench.run(1s, false));
}

TEST_CASE("where drive isn't measured the contactor is opened first, and stays open for the test") {
    Plan p = plan();
    p.roles.drive.reset();
    Held without{p};
    CHECK(without.answer(CommandKind::prove).why == ProofEnd::drive_present);

    p.supervision.contactor = true;
    Held unseen{p};
    REQUIRE(unseen.protection.snapshot().contactor_closed);
    CHECK(unseen.answer(CommandKind::prove).why == ProofEnd::drive_present);  // who knows whether it opens?

    p = with_contactor(p);
    Held bench{p};
    REQUIRE(bench.protection.snapshot().contactor_closed);
    bench.begin();
    bench.step();
    CHECK_FALSE(bench.protection.snapshot().contactor_closed);
    CHECK(bench.answer(CommandKind::prove_line).why == ProofEnd::supplied);
    bench.run(p.supervision.contactor_time - 40ms, false);
    CHECK(bench.answer(CommandKind::prove_line).why == ProofEnd::supplied);  // 180 ms after it was seen open
    bench.events.clear();
    bench.step({order(CommandKind::prove_line)});
    bench.at_permit(EventKind::proof_line, 10s);
    REQUIRE(bench.last(EventKind::proof_line) != nullptr);
    CHECK(bench.last(EventKind::proof_line)->why == ProofEnd::passed);
    CHECK_FALSE(bench.protection.snapshot().contactor_closed);
    bench.answer(CommandKind::prove_end);
    CHECK(bench.run(100ms, false));
    CHECK(bench.protection.snapshot().contactor_closed);
    bench.step({order(CommandKind::release)});
    CHECK_FALSE(bench.protection.snapshot().permit);  // not before the supply has settled
    CHECK(bench.until(true, 10s) > 0s);
}

TEST_CASE("the enable voltage after the contact is waited for, and its silence fails") {
    Plan p = plan();
    p.roles.enable_sense = lid;
    p.limits.pop_back();
    p.channels[lid].required = false;
    Bench bench{p};
    bench.lid_closed = 0.0;
    const auto follow = [&] { bench.lid_closed = bench.protection.snapshot().permit ? 1.0 : 0.0; };
    for (int i = 0; i < 200; ++i, follow()) bench.step();
    REQUIRE(bench.state() == State::permitted);
    bench.step({order(CommandKind::hold)});
    for (int i = 0; i < 50; ++i, follow()) bench.step();
    bench.step({order(CommandKind::prove)});
    bench.step({order(CommandKind::prove_line)});
    Duration up{};
    for (int i = 0; i < 100 && bench.last(EventKind::proof_line) == nullptr; ++i, follow())
        up += bench.step() ? 20ms : 0ms;
    REQUIRE(bench.last(EventKind::proof_line) != nullptr);
    CHECK(bench.last(EventKind::proof_line)->why == ProofEnd::passed);
    CHECK(bench.last(EventKind::proof_line)->times.contact_on > 0s);
    CHECK(bench.last(EventKind::proof_line)->times.contact_off > 0s);
    CHECK(up < 200ms);  // no longer than the contact needs
    bench.events.clear();
    bench.step({order(CommandKind::prove_line)});
    for (int i = 0; i < 100 && bench.last(EventKind::proof_ended) == nullptr; ++i) bench.step();
    REQUIRE(bench.last(EventKind::proof_ended) != nullptr);  // enable-mismatch stands
    CHECK(bench.last(EventKind::proof_ended)->why == ProofEnd::cause);
}

TEST_CASE("the release time is measured at each de-key under RF") {
    Bench bench;
    REQUIRE(bench.start());
    CHECK_FALSE(bench.protection.snapshot().release);
    bench.key(50.0, 0.1);
    bench.run(1s, true);
    bench.step({order(CommandKind::hold)});  // the line goes to inhibit in this step
    const Instant released = bench.now - 20ms;
    bench.run(40ms, false);
    bench.unkey();
    bench.run(100ms, false);
    REQUIRE(bench.protection.snapshot().release);
    // The first conversion without RF began 60 ms less 1 ms after the step that inhibited.
    CHECK(*bench.protection.snapshot().release == bench.now - 100ms - 1ms - released);
    CHECK(*bench.protection.snapshot().release == 59ms);
}

TEST_CASE("two looks become the worse one; no look stays none") {
    for (int t = 0; t <= static_cast<int>(Verdict::missed); ++t) {
        for (int i = 0; i <= static_cast<int>(Verdict::missed); ++i) {
            const auto truth = static_cast<Verdict>(t), injected = static_cast<Verdict>(i);
            const Verdict worse = worsened(truth, injected);
            CHECK(worse >= truth);
            CHECK((worse == truth || worse == injected));
            if (truth == Verdict::missed) CHECK(worse == Verdict::missed);
        }
    }
    const Plan p = plan();
    for (const LimitPlan& limit : p.limits)
        CHECK(judge_alone(limit, injected_reading(limit, {}), true) == Verdict::outside);
}
