// daemon/core/proof.cpp, by timelines against the whole of core.
#include "core/proof.hpp"

#include <doctest/doctest.h>

#include <optional>
#include <string>

#include "plan/state_words.hpp"
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
    [[nodiscard]] ProofPhase phase() { return protection.snapshot().proof.phase; }
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
        CHECK(trip->reading.value == injected_reading(bench.the_plan.limits[limit], trip->at).value);
        CHECK_FALSE(trip->first_cause);
        CHECK(bench.phase() == ProofPhase::ready);
        // Before its cause is gone the next one is refused, by name.
        const Event& refused = bench.answer(CommandKind::prove_limit, limit);
        CHECK(refused.why == ProofEnd::cause);
        CHECK(refused.source == limit);
        CHECK_FALSE(refused.forced);
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
        CHECK(verdict_when_standing(limit, injected_reading(limit, {}), true) == Verdict::outside);
}

// ---- the test alone, at the edges of its times --------------------------------------------------------------------

namespace {

struct Alone {
    Plan the_plan;
    Proof proof{the_plan};
    EventList events{32};
    std::vector<Cause> causes;
    Reading sense{.value = 0.0, .health = Health::good, .fault = Fault::none};
    ProofInput in;
    bool permit = false;
    std::optional<bool> pad;  ///< what the line reads, whatever was written

    explicit Alone(Plan p = plan()) : the_plan{std::move(p)}, causes(source_count(the_plan)) {
        for (Cause& cause : causes) cause.condition = Condition::clear;
        in.now = Instant{100s};
        in.line.known = true;
        in.held = in.only_held = in.rf_absent = in.no_drive = true;
        in.causes = causes;
    }
    bool step(Duration later, std::vector<Command> commands = {}) {
        events.clear();
        in.now += later;
        in.line.permit = pad.value_or(permit);
        permit = proof.step(in, commands, events);
        return permit;
    }
    [[nodiscard]] const Event& answer() const {
        REQUIRE(events.all().size() == 1);
        return events.all()[0];
    }
    ProofEnd why(Duration later, std::vector<Command> commands = {}) {
        step(later, std::move(commands));
        return answer().why;
    }
    void begin() {
        step(1ms, {order(CommandKind::prove)});
        REQUIRE(answer().kind == EventKind::proof_begun);
    }
    /// Begins a part, up to the step in which the line is asked for permit.
    void begin_line() {
        begin();
        CHECK_FALSE(step(1ms, {order(CommandKind::prove_line)}));
        CHECK(step(1ms));
    }
    void begin_limit(std::uint16_t limit) {
        begin();
        CHECK_FALSE(step(1ms, {order(CommandKind::prove_limit, limit)}));
    }
    void trip(std::uint16_t limit) {
        causes[limit].active = true;
        causes[limit].condition = Condition::bad;
        in.only_held = false;
    }
    void clear(std::uint16_t limit) {
        causes[limit].active = false;
        causes[limit].condition = Condition::clear;
        in.only_held = true;
    }
    [[nodiscard]] bool quiet() const { return events.all().empty(); }
};

}  // namespace

TEST_CASE("the line's pulse: read at permit, two seconds there, read at inhibit, each to the nanosecond") {
    Alone a;
    a.begin_line();
    CHECK(a.step(3ms));  // read at permit
    CHECK(a.quiet());
    CHECK(a.step(2s - 1ns));
    CHECK_FALSE(a.step(1ns));
    CHECK(a.quiet());
    CHECK_FALSE(a.step(4ms));
    const Event& end = a.answer();
    CHECK(end.kind == EventKind::proof_line);
    CHECK(end.why == ProofEnd::passed);
    CHECK(end.source == no_source);
    CHECK(end.command == CommandKind::prove);
    CHECK(end.command_id == 7);
    CHECK(end.origin == Origin::local);
    CHECK(end.times.line_on == 3ms);
    CHECK(end.times.line_off == 4ms);
    CHECK(end.times.contact_on == 0s);
    CHECK(end.times.contact_off == 0s);
    CHECK(a.proof.view().line_proved);
    CHECK(a.proof.view().phase == ProofPhase::ready);
    // A second one that fails takes the first one's word back.
    a.pad = false;
    a.step(1ms, {order(CommandKind::prove_line)});
    CHECK_FALSE(a.proof.view().line_proved);
    CHECK(a.step(1ms));
    CHECK(a.why(1s) == ProofEnd::line_silent);
    CHECK(a.answer().times.line_on == 0s);
    CHECK_FALSE(a.proof.view().line_proved);
}

TEST_CASE("a line that isn't read as written within a second has failed, either way") {
    for (const bool known : {true, false}) {
        Alone up;
        up.begin_line();
        up.pad = !known;
        up.in.line.known = known;
        CHECK(up.step(1s - 1ns));
        CHECK(up.quiet());
        CHECK(up.why(1ns) == ProofEnd::line_silent);
        CHECK_FALSE(up.permit);
        CHECK(up.proof.view().phase == ProofPhase::ready);

        Alone down;
        down.begin_line();
        down.step(3ms);
        CHECK_FALSE(down.step(2s));
        down.pad = known;
        down.in.line.known = known;
        CHECK_FALSE(down.step(1s - 1ns));
        CHECK(down.quiet());
        CHECK(down.why(1ns) == ProofEnd::line_silent);
        CHECK(down.answer().times.line_on == 3ms);
        CHECK(down.answer().times.line_off == 0s);
        CHECK_FALSE(down.proof.view().line_proved);
    }
}

TEST_CASE("the contact is believed by a conversion begun after the line was told, from half its voltage on") {
    Alone a;
    a.in.enable_sense = &a.sense;
    a.begin_line();
    const Instant told = a.in.now;
    a.sense.value = 0.5;
    a.sense.taken = told;
    a.step(3ms);
    CHECK(a.step(1ms));
    a.sense.taken = told + 2ms;
    a.sense.health = Health::unknown;
    CHECK(a.step(1ms));
    a.sense.health = Health::good;
    a.sense.value = 0.499;
    CHECK(a.step(1ms));
    a.sense.value = 0.5;
    CHECK_FALSE(a.step(1ms));  // and no longer at permit than for that
    const Instant down = a.in.now;
    CHECK_FALSE(a.step(6ms));
    CHECK(a.quiet());  // the line is read, the contact not yet
    a.sense.value = 0.0;
    a.sense.taken = down;
    CHECK_FALSE(a.step(1ms));
    CHECK(a.quiet());
    a.sense.taken = down + 5ms;
    CHECK(a.why(1ms) == ProofEnd::passed);
    CHECK(a.answer().times.line_on == 3ms);
    CHECK(a.answer().times.contact_on == 2ms);
    CHECK(a.answer().times.line_off == 6ms);
    CHECK(a.answer().times.contact_off == 5ms);
}

TEST_CASE("a contact that doesn't follow within a second has failed, either way") {
    Alone up;
    up.in.enable_sense = &up.sense;
    up.begin_line();
    up.step(3ms);
    CHECK(up.step(1s - 1ns));
    CHECK(up.why(1ns) == ProofEnd::contact_silent);
    CHECK_FALSE(up.permit);

    Alone down;
    down.in.enable_sense = &down.sense;
    down.begin_line();
    down.sense.value = 1.0;
    down.sense.taken = down.in.now + 1ms;
    down.step(3ms);
    CHECK_FALSE(down.step(1ms));
    CHECK_FALSE(down.step(6ms));
    CHECK_FALSE(down.step(994ms - 1ns));
    CHECK(down.quiet());
    CHECK(down.why(1ns) == ProofEnd::contact_silent);
    CHECK(down.answer().times.line_off == 6ms);
}

TEST_CASE("a quick limit: the line first, then what is injected, then the way down") {
    Plan p = plan();
    p.limits[hot].qualify = Proof::lead;  // quick just so
    Alone a{p};
    a.begin_limit(hot);
    CHECK(a.step(1ms));
    CHECK_FALSE(a.proof.injects(hot));
    CHECK(a.proof.forced() == no_source);
    CHECK(a.step(2ms));
    CHECK(a.proof.injects(hot));
    CHECK_FALSE(a.proof.injects(supply_low));
    CHECK(a.proof.forced() == hot);
    CHECK(a.proof.view().injects);
    CHECK(a.proof.view().limit == hot);
    CHECK(a.proof.view().injected == doctest::Approx(70.7));
    CHECK(a.step(250ms));
    a.trip(hot);
    CHECK_FALSE(a.step(1ms));
    CHECK(a.quiet());
    CHECK_FALSE(a.proof.injects(hot));
    CHECK(a.proof.view().injected == 0.0);
    CHECK_FALSE(a.step(5ms));
    CHECK(a.answer().kind == EventKind::proof_limit);
    CHECK(a.answer().why == ProofEnd::passed);
    CHECK(a.answer().source == hot);
    CHECK(a.answer().command_id == 7);
    CHECK(a.answer().times.line_off == 256ms);  // from the injection on
    CHECK(a.proof.proved(hot) == 1);
    CHECK(a.proof.proved(supply_low) == 0);
    // Its cause stands for its hold-off, as the test's doing; then its next trip is a real one.
    a.step(1s);
    CHECK(a.proof.forced() == hot);
    CHECK(a.why(1ms, {order(CommandKind::prove_line)}) == ProofEnd::cause);
    CHECK(a.answer().source == hot);
    a.causes[hot].condition = Condition::clear;
    a.step(1s);
    CHECK(a.proof.forced() == hot);
    a.clear(hot);
    a.step(1ms);
    CHECK(a.proof.forced() == no_source);
    a.trip(hot);
    CHECK(a.why(1ms) == ProofEnd::cause);
    CHECK(a.answer().kind == EventKind::proof_ended);
    CHECK(a.answer().source == hot);
}

TEST_CASE("a forced limit that is not active, and not yet clear, is still the test's doing") {
    Plan p = plan();
    p.limits[hot].qualify = 0s;
    Alone a{p};
    a.begin_limit(hot);
    a.step(1ms);
    a.step(1ms);
    a.trip(hot);
    a.step(1ms);
    a.step(1ms);
    a.clear(hot);
    a.causes[hot].condition = Condition::band;
    a.step(1ms);
    CHECK(a.proof.forced() == hot);
    a.causes[hot].condition = Condition::clear;
    a.step(1ms);
    CHECK(a.proof.forced() == no_source);
}

TEST_CASE("a quick limit whose line isn't read at permit, or that doesn't trip, or whose line doesn't come back") {
    Plan p = plan();
    p.limits[hot].qualify = 0s;
    Alone silent{p};
    silent.pad = false;
    silent.begin_limit(hot);
    CHECK(silent.step(1ms));
    CHECK(silent.step(1s - 1ns));
    CHECK(silent.why(1ns) == ProofEnd::line_silent);
    CHECK_FALSE(silent.permit);

    Alone calm{p};
    calm.begin_limit(hot);
    CHECK(calm.step(1ms));
    CHECK(calm.step(2ms));
    CHECK(calm.step(4998ms - 1ns));
    CHECK(calm.quiet());
    CHECK(calm.why(1ns) == ProofEnd::not_tripped);  // five seconds at permit
    CHECK_FALSE(calm.permit);
    CHECK_FALSE(calm.proof.injects(hot));
    CHECK(calm.proof.proved(hot) == 0);

    Alone stuck{p};
    stuck.begin_limit(hot);
    stuck.step(1ms);
    stuck.step(2ms);
    stuck.trip(hot);
    CHECK_FALSE(stuck.step(1ms));
    stuck.pad = true;
    CHECK_FALSE(stuck.step(1s - 1ns));
    CHECK(stuck.quiet());
    CHECK(stuck.why(1ns) == ProofEnd::line_silent);
    CHECK(stuck.proof.proved(hot) == 0);
}

TEST_CASE("a slow limit is forced at inhibit, and the line goes to permit a quarter of a second before it trips") {
    Plan p = plan();
    p.limits[hot].qualify = 10s;
    Alone a{p};
    a.begin_limit(hot);
    CHECK_FALSE(a.step(1ms));
    CHECK(a.proof.injects(hot));
    CHECK(a.proof.forced() == hot);
    const Instant injected = a.in.now;
    CHECK_FALSE(a.step(1s));  // nothing is known of when it trips
    a.in.limit_due = injected + 10s;
    CHECK_FALSE(a.step(8750ms - 1ns));
    CHECK(a.step(1ns));
    CHECK(a.step(1ms));
    CHECK(a.step(249ms));
    a.trip(hot);
    CHECK_FALSE(a.step(1ms));
    CHECK(a.why(1ms) == ProofEnd::passed);
    CHECK(a.answer().times.line_off == 10s + 2ms);
    CHECK(a.proof.proved(hot) == 1);
}

TEST_CASE("a slow limit that trips with the line not read at permit proves nothing of the line") {
    Plan p = plan();
    p.limits[hot].qualify = 251ms;
    Alone a{p};
    a.begin_limit(hot);
    CHECK_FALSE(a.step(1ms));
    a.trip(hot);
    CHECK_FALSE(a.step(10ms));
    CHECK(a.why(1ms) == ProofEnd::line_silent);
    CHECK(a.proof.proved(hot) == 0);
}

TEST_CASE("what is injected ends after a minute, and what is at permit for it after five seconds") {
    Plan p = plan();
    p.limits[hot].qualify = 30s;
    Alone a{p};
    a.begin_limit(hot);
    a.step(1ms);
    CHECK_FALSE(a.step(60s - 1ns));
    CHECK(a.quiet());
    CHECK(a.why(1ns) == ProofEnd::not_tripped);
    CHECK_FALSE(a.proof.injects(hot));
    CHECK(a.proof.view().phase == ProofPhase::ready);

    Alone early{p};  // it should have tripped, and doesn't
    early.begin_limit(hot);
    early.step(1ms);
    early.in.limit_due = early.in.now + 1s;
    CHECK(early.step(750ms));
    CHECK(early.step(5s - 1ns));
    CHECK(early.quiet());
    CHECK(early.why(1ns) == ProofEnd::not_tripped);
}

TEST_CASE("an order may be ten minutes old; each one counts, and a part's end too") {
    Alone a;
    a.begin();
    a.step(10min - 1ns);
    CHECK(a.quiet());
    CHECK(a.why(1ns) == ProofEnd::expired);
    CHECK(a.answer().kind == EventKind::proof_ended);
    CHECK(a.answer().command == CommandKind::prove_end);
    CHECK(a.answer().command_id == 0);
    CHECK_FALSE(a.proof.running());

    Alone heard;
    heard.begin();
    heard.step(9min, {order(CommandKind::prove_passed)});  // refused, and heard
    heard.step(9min);
    CHECK(heard.quiet());
    CHECK(heard.proof.running());
    heard.step(1s, {order(CommandKind::prove_passed, 0, Origin::remote)});  // not heard
    CHECK(heard.why(59s) == ProofEnd::expired);

    Alone part;
    part.begin_line();
    part.step(3ms);
    part.step(2s);
    CHECK(part.why(1ms) == ProofEnd::passed);
    part.step(10min - 1ns);
    CHECK(part.quiet());
    CHECK(part.why(1ns) == ProofEnd::expired);
    CHECK(part.answer().command_id == 0);  // the part's order had its answer
}

TEST_CASE("what ends it is named in its order, and inhibits in the same step") {
    const auto ends = [](auto change) {
        Alone a;
        a.begin_line();
        CHECK(a.step(3ms));
        change(a);
        CHECK_FALSE(a.step(1ms));
        CHECK(a.answer().kind == EventKind::proof_ended);
        CHECK(a.answer().command_id == 7);  // the part's own order is answered
        CHECK_FALSE(a.proof.running());
        return a.answer();
    };
    CHECK(ends([](Alone& a) { a.in.commissioning = true; }).why == ProofEnd::commissioning);
    CHECK(ends([](Alone& a) { a.in.held = false; }).why == ProofEnd::not_held);
    CHECK(ends([](Alone& a) { a.in.rf_absent = false; }).why == ProofEnd::rf_present);
    CHECK(ends([](Alone& a) { a.in.no_drive = false; }).why == ProofEnd::drive_present);
    CHECK(ends([](Alone& a) { a.in.only_held = false; }).why == ProofEnd::cause);
    CHECK(ends([](Alone& a) { a.in.only_held = false; }).source == no_source);
    CHECK(ends([](Alone& a) { a.trip(supply_low); }).why == ProofEnd::cause);
    CHECK(ends([](Alone& a) { a.trip(supply_low); }).source == supply_low);
    CHECK(ends([](Alone& a) { a.trip(hot); }).source == hot);  // never forced in this part

    Plan p = plan();
    p.limits[hot].qualify = 0s;
    Alone forced{p};
    forced.begin_limit(hot);
    forced.step(1ms);
    forced.step(1ms);
    forced.trip(hot);
    forced.causes[lid_open].active = true;
    CHECK(forced.why(1ms) == ProofEnd::cause);
    CHECK(forced.answer().source == lid_open);
    CHECK(forced.proof.forced() == no_source);
}

TEST_CASE("where drive isn't measured, the contactor must be open for as long as the supply takes to fall") {
    Plan p = plan();
    p.roles.drive.reset();
    Alone a{p};
    CHECK_FALSE(a.proof.opens_contactor());
    a.begin();
    CHECK(a.proof.opens_contactor());
    CHECK(a.why(1ms, {order(CommandKind::prove_line)}) == ProofEnd::supplied);
    a.in.contactor_open = true;
    a.step(1ms, {order(CommandKind::prove_line)});
    CHECK(a.quiet());
    CHECK(a.step(1ms));
    a.in.contactor_open = false;
    CHECK_FALSE(a.step(1ms));
    Alone measured;
    measured.begin();
    CHECK_FALSE(measured.proof.opens_contactor());
}

TEST_CASE("the orders and their answers") {
    Alone a;
    CHECK(a.why(1ms, {order(CommandKind::prove_end)}) == ProofEnd::not_begun);
    CHECK(a.why(1ms, {order(CommandKind::prove_passed)}) == ProofEnd::not_begun);
    CHECK(a.why(1ms, {order(CommandKind::prove, 0, Origin::remote)}) == ProofEnd::not_local);
    a.in.only_held = false;
    CHECK(a.why(1ms, {order(CommandKind::prove)}) == ProofEnd::cause);
    CHECK(a.answer().source == no_source);
    a.in.only_held = true;
    for (const CommandKind kind : {CommandKind::hold, CommandKind::release, CommandKind::reset, CommandKind::commission,
                                   CommandKind::end_commissioning, CommandKind::noted, CommandKind::objected}) {
        a.step(1ms, {order(kind)});
        CHECK(a.quiet());  // the interlock's, and others'
    }
    a.begin();
    CHECK(a.why(1ms, {order(CommandKind::prove)}) == ProofEnd::busy);
    CHECK(a.why(1ms, {order(CommandKind::prove_limit, static_cast<std::uint16_t>(a.the_plan.limits.size()))}) ==
          ProofEnd::unprovable);
    CHECK(a.why(1ms, {order(CommandKind::prove_passed)}) == ProofEnd::unfinished);
    CHECK(a.answer().source == hot);
    a.step(1ms, {order(CommandKind::prove_line)});
    a.step(1ms);
    CHECK(a.why(1ms, {order(CommandKind::prove_limit, hot)}) == ProofEnd::busy);
    CHECK(a.why(1ms, {order(CommandKind::prove_line)}) == ProofEnd::busy);
    // An end in the middle of a part answers the part's order, then its own.
    a.step(1ms, {{.kind = CommandKind::prove_end, .origin = Origin::local, .id = 9}});
    REQUIRE(a.events.all().size() == 2);
    CHECK(a.events.all()[0].command_id == 7);
    CHECK(a.events.all()[1].command_id == 9);
    for (const Event& event : a.events.all()) CHECK(event.why == ProofEnd::left);
    CHECK_FALSE(a.permit);
    CHECK_FALSE(a.proof.running());
    a.begin();
    CHECK(a.why(1ms, {order(CommandKind::prove_end)}) == ProofEnd::left);  // once
    CHECK_FALSE(a.proof.running());
}

TEST_CASE("passed with the line and each limit that can be proved, in this test") {
    Plan p = plan();
    p.limits.resize(2);
    p.limits[0].qualify = p.limits[1].qualify = 0s;
    p.limits[1].trips = false;  // it can't be proved, and needn't
    Alone a{p};
    a.begin_line();
    a.step(3ms);
    a.step(2s);
    CHECK(a.why(1ms) == ProofEnd::passed);
    CHECK(a.why(1ms, {order(CommandKind::prove_passed)}) == ProofEnd::unfinished);
    CHECK(a.answer().source == 0);
    CHECK(a.why(1ms, {order(CommandKind::prove_limit, 1)}) == ProofEnd::unprovable);
    a.step(1ms, {order(CommandKind::prove_limit, 0)});
    a.step(1ms);
    a.step(1ms);
    a.trip(0);
    a.step(1ms);
    CHECK(a.why(1ms) == ProofEnd::passed);
    a.clear(0);
    a.step(1ms, {order(CommandKind::prove_passed)});
    CHECK(a.answer().kind == EventKind::proof_passed);
    CHECK(a.answer().why == ProofEnd::passed);
    CHECK_FALSE(a.proof.running());
    a.begin();  // another test: nothing of the last one counts
    CHECK(a.why(1ms, {order(CommandKind::prove_passed)}) == ProofEnd::unfinished);
    CHECK(a.answer().source == 0);
    CHECK_FALSE(a.proof.view().line_proved);
}

TEST_CASE(
    "what is injected lies a hundredth of the trip level beyond it; a limit that takes too long can't be proved") {
    LimitPlan above = limit("x", 0, 70.0, 0.0, 55s, 0s, Rearm::automatic);
    CHECK(injected_reading(above, Instant{5s}).value == doctest::Approx(70.7));
    CHECK(injected_reading(above, Instant{5s}).low == doctest::Approx(70.7));
    CHECK(injected_reading(above, Instant{5s}).taken == Instant{5s});
    CHECK(Proof::provable(above));
    above.qualify = 55s + 1ns;
    CHECK_FALSE(Proof::provable(above));
    above.qualify = 1s;
    above.trips = false;
    CHECK_FALSE(Proof::provable(above));
    LimitPlan below = limit("x", 0, 24.0, 0.0, 0s, 0s, Rearm::automatic);
    below.direction = Direction::below;
    CHECK(injected_reading(below, {}).value == doctest::Approx(23.76));
    below.trip = -10.0;
    CHECK(injected_reading(below, {}).value == doctest::Approx(-10.1));
    below.trip = 0.0;
    CHECK(injected_reading(below, {}).value == -1e-6);
}

TEST_CASE("when it wants to be asked again") {
    Plan p = plan();
    p.limits[hot].qualify = 10s;
    Alone a{p};
    const auto due = [&](Instant limit_due = Instant::max()) { return a.proof.due(a.in.now, limit_due) - a.in.now; };
    const Duration never = Instant::max() - a.in.now;
    CHECK(due() == never);
    a.begin();
    CHECK(due() > 1h);
    a.step(1ms, {order(CommandKind::prove_line)});
    CHECK(due() == 1ms);
    a.step(1ms);
    a.step(1ms);
    CHECK(due() == 1ms);
    a.the_plan.roles.enable_sense = lid;
    CHECK(due() == 250ms);
    a.step(1ms, {order(CommandKind::prove_end)});
    a.begin();
    a.step(1ms, {order(CommandKind::prove_limit, hot)});
    CHECK(due() == 1ms);
    a.step(1ms);  // forced, at inhibit
    CHECK(due() > 1h);
    CHECK(due(a.in.now + 10s) == 9750ms);
    CHECK(due(a.in.now + 251ms) == 1ms);
    CHECK(due(a.in.now + 250ms) == 1ms);
    a.in.limit_due = a.in.now + 100ms;
    CHECK(a.step(1ms));
    CHECK(due(a.in.now + 99ms) == 1ms);
    a.trip(hot);
    a.step(1ms);
    CHECK(due() == 1ms);
}

TEST_CASE("the release time: from a de-key under RF to the first conversion that is known to be without") {
    Reading forward{.health = Health::good, .fault = Fault::none};
    const auto at = [](Duration since) { return Instant{100s} + since; };
    ReleaseWatch watch;
    const auto step = [&](Duration now, bool permit, bool present, Duration taken, bool seen = true) {
        forward.taken = at(taken);
        watch.step(at(now), permit, present, !present, seen ? &forward : nullptr);
    };
    step(0ms, false, true, 0ms);  // never permitted: nothing to release
    step(10ms, false, false, 10ms);
    CHECK_FALSE(watch.last());
    step(20ms, true, true, 20ms);
    step(30ms, false, true, 29ms);
    step(40ms, false, true, 39ms);
    step(50ms, false, false, 30ms);  // begun before
    CHECK_FALSE(watch.last());
    step(60ms, false, false, 55ms, false);
    CHECK_FALSE(watch.last());
    step(70ms, false, false, 65ms);
    CHECK(watch.last() == 35ms);
    step(80ms, false, false, 75ms);
    CHECK(watch.last() == 35ms);
    step(90ms, true, false, 85ms);
    step(100ms, false, false, 95ms);  // no RF at the de-key: nothing to measure
    step(110ms, false, false, 105ms);
    CHECK(watch.last() == 35ms);
    step(120ms, true, true, 115ms);
    step(130ms, false, true, 125ms);
    step(140ms, true, true, 135ms);  // permitted again meanwhile
    step(150ms, true, false, 145ms);
    CHECK(watch.last() == 35ms);
}

TEST_CASE("a limit that is forced and hasn't tripped excuses nothing else that keeps the permit away") {
    Plan p = plan();
    p.limits[hot].qualify = 10s;
    Alone a{p};
    a.begin_limit(hot);
    a.step(1ms);
    REQUIRE(a.proof.forced() == hot);
    a.in.only_held = false;  // a remote hold, a lockout
    CHECK(a.why(1ms) == ProofEnd::cause);
    CHECK(a.answer().source == no_source);
    CHECK(a.proof.forced() == no_source);
}

TEST_CASE("a slow limit that trips with the line told to permit, and not read there, proves nothing of the line") {
    Plan p = plan();
    p.limits[hot].qualify = 1s;
    Alone a{p};
    a.pad = false;
    a.begin_limit(hot);
    a.step(1ms);
    a.in.limit_due = a.in.now + 250ms;
    CHECK(a.step(1ms));
    CHECK(a.step(240ms));
    a.trip(hot);
    a.step(1ms);
    CHECK(a.why(1ms) == ProofEnd::line_silent);
    CHECK(a.proof.proved(hot) == 0);
}

TEST_CASE("a state of a test goes on where the plan has its limit, and is over where it hasn't") {
    Alone a;
    a.begin_limit(supply_low);
    a.step(1ms);
    REQUIRE(a.proof.running());
    std::string words;
    StateWriter{words}(a.proof);
    for (const std::size_t limits : {std::size_t{supply_low}, std::size_t{supply_low} + 1}) {
        Plan p = plan();
        p.limits.resize(limits);
        Proof taken_up{p};
        StateReader reader{words};
        reader(taken_up);
        REQUIRE(reader.complete());
        taken_up.mend();
        const bool there = limits > supply_low;
        CHECK(taken_up.running() == there);
        CHECK(taken_up.injects(supply_low) == there);
        CHECK(taken_up.forced() == (there ? SourceIndex{supply_low} : no_source));
        if (!there) CHECK_FALSE(taken_up.step(a.in, {}, a.events));
    }
}

TEST_CASE("what one part saw counts for no other part, and what one test measured is no answer of the next") {
    Plan p = plan();
    p.limits[hot].qualify = 10s;
    Alone a{p};
    a.begin_line();
    a.step(3ms);
    a.step(2s);
    REQUIRE(a.why(1ms) == ProofEnd::passed);
    a.step(1ms, {order(CommandKind::prove_limit, lid_open)});  // quick, and seen at permit
    a.step(1ms);
    a.step(1ms);
    a.trip(lid_open);
    a.step(1ms);
    REQUIRE(a.why(1ms) == ProofEnd::passed);
    a.clear(lid_open);
    a.causes[lid_open].condition = Condition::band;  // still the test's doing
    a.step(1ms);
    REQUIRE(a.proof.forced() == lid_open);
    a.step(1ms, {order(CommandKind::prove_limit, hot)});
    CHECK(a.proof.forced() == no_source);
    a.step(1ms);
    a.trip(hot);
    a.step(1ms);
    CHECK(a.why(1ms) == ProofEnd::line_silent);
    a.clear(hot);
    a.step(1ms, {order(CommandKind::prove_end)});
    CHECK(a.answer().times.line_off > 0s);
    a.step(1ms, {order(CommandKind::prove_line)});
    CHECK(a.answer().why == ProofEnd::not_begun);
    CHECK(a.answer().times.line_off == 0s);
}
