#include "core/interlock.hpp"

#include <doctest/doctest.h>

#include <vector>

using namespace dekeyd::core;
using namespace std::chrono_literals;

namespace {

InterlockPlan quick() {
    InterlockPlan p;
    p.settling = 2s;
    p.lockout_trips = 3;
    p.lockout_window = 100s;
    return p;
}

// Source 0: automatic, counted, hold-off 3 s. Source 1: latches, hold-off 1 s. Source 2: automatic, not counted.
struct Line {
    Interlock interlock;
    EventList events{64};
    Instant now{10s};
    std::vector<Condition> conditions{Condition::clear, Condition::clear, Condition::clear};
    bool drive_absent = true;

    explicit Line(InterlockPlan plan = quick(), Memory memory = {}, bool unclean = false)
        : interlock{plan, {{3s, false, true}, {1s, true, true}, {0s, false, false}}, std::move(memory), unclean} {}

    bool step(std::vector<Command> commands = {}, Duration after = 1s) {
        events.clear();
        now += after;
        return interlock.step(now, conditions, drive_absent, commands, events);
    }
    void permit() {
        for (int i = 0; i < 3; ++i) step();
        REQUIRE(interlock.permit());
    }
    bool set(std::size_t source, Condition c) {
        conditions[source] = c;
        return step();
    }
    [[nodiscard]] std::size_t count(EventKind kind) const {
        std::size_t n = 0;
        for (const Event& e : events.all()) n += e.kind == kind ? 1 : 0;
        return n;
    }
};

}  // namespace

TEST_CASE("settling needs every source clear, without a break") {
    Line l;
    CHECK_FALSE(l.step());
    CHECK_FALSE(l.step());
    CHECK_FALSE(l.set(0, Condition::band));
    CHECK_FALSE(l.set(0, Condition::clear));
    CHECK_FALSE(l.step());
    CHECK(l.interlock.due() == l.now + 1s);
    CHECK(l.step());
    CHECK(l.interlock.due() == Instant::max());
}

TEST_CASE("news that doesn't come neither ends nor breaks settling, but is needed once") {
    Line l;
    l.conditions = {Condition::clear, Condition::missed, Condition::clear};
    for (int i = 0; i < 10; ++i) CHECK_FALSE(l.step());
    l.conditions[1] = Condition::clear;
    CHECK_FALSE(l.step());
    l.conditions = {Condition::missed, Condition::missed, Condition::missed};
    CHECK_FALSE(l.step());
    CHECK(l.step());
}

TEST_CASE("band permits a source that hasn't tripped, and holds one that has") {
    Line l;
    l.permit();
    CHECK(l.set(0, Condition::band));
    CHECK_FALSE(l.set(0, Condition::bad));
    CHECK(l.count(EventKind::tripped) == 1);
    CHECK(l.interlock.state() == State::tripped);
    for (int i = 0; i < 10; ++i) CHECK_FALSE(l.set(0, Condition::band));
    CHECK(l.count(EventKind::tripped) == 0);
    CHECK_FALSE(l.set(0, Condition::clear));
    CHECK_FALSE(l.step({}, 2999ms));
    CHECK_FALSE(l.set(0, Condition::band));  // a break starts the hold-off again
    CHECK_FALSE(l.set(0, Condition::clear));
    CHECK_FALSE(l.step({}, 2999ms));
    CHECK(l.step({}, 1ms));
}

TEST_CASE("the end of the hold-off needs a look that finds it clear, and no drive") {
    Line l;
    l.permit();
    l.set(0, Condition::bad);
    l.set(0, Condition::clear);
    CHECK_FALSE(l.set(0, Condition::missed));
    CHECK_FALSE(l.step({}, 10s));
    l.drive_absent = false;
    CHECK_FALSE(l.set(0, Condition::clear));
    l.drive_absent = true;
    CHECK(l.step());
}

TEST_CASE("unknown inhibits, and does not latch a latching source") {
    Line l;
    l.permit();
    CHECK_FALSE(l.set(1, Condition::unknown));
    CHECK(l.interlock.state() == State::tripped);
    CHECK_FALSE(l.set(1, Condition::clear));
    CHECK(l.step());
    CHECK_FALSE(l.set(1, Condition::unknown));
    CHECK_FALSE(l.set(1, Condition::bad));  // now it is known to be bad
    CHECK(l.count(EventKind::latched) == 1);
    CHECK(l.interlock.state() == State::latched);
}

TEST_CASE("the worst that a standing cause was seen to be is kept until it clears") {
    Line l;
    l.permit();
    const auto worst = [&] { return l.interlock.causes()[0].gravest; };
    CHECK(worst() == Condition::clear);
    l.set(0, Condition::unknown);
    CHECK(worst() == Condition::unknown);
    l.set(0, Condition::bad);  // the cause that stands already is now known to be bad
    CHECK(worst() == Condition::bad);
    l.set(0, Condition::unknown);
    CHECK(worst() == Condition::bad);
    l.set(0, Condition::clear);
    CHECK(worst() == Condition::bad);  // its hold-off of 3 s runs
    for (int i = 0; i < 3; ++i) l.step();
    CHECK(worst() == Condition::clear);
}

TEST_CASE("latched: only a reset with the cause gone for its hold-off") {
    Line l;
    l.permit();
    CHECK_FALSE(l.set(1, Condition::bad));
    CHECK(l.count(EventKind::latched) == 0);  // one event for one trip
    CHECK_FALSE(l.step({{CommandKind::reset, Origin::local, 1}}));
    CHECK(l.count(EventKind::refused) == 1);
    l.conditions[1] = Condition::clear;
    CHECK_FALSE(l.step({{CommandKind::reset, Origin::local, 2}}, 500ms));
    CHECK(l.count(EventKind::refused) == 1);  // clear, but not yet for the hold-off
    CHECK_FALSE(l.step({{CommandKind::reset, Origin::remote, 3}}, 1s));
    CHECK(l.count(EventKind::reset) == 1);
    CHECK(l.step());
}

TEST_CASE("a reset while another cause stands changes nothing and names it") {
    Line l;
    l.permit();
    l.set(1, Condition::bad);
    l.set(1, Condition::clear);
    l.set(2, Condition::bad);
    l.step({{CommandKind::reset, Origin::local, 9}});
    REQUIRE(l.count(EventKind::refused) == 1);
    for (const Event& e : l.events.all())
        if (e.kind == EventKind::refused) CHECK(e.source == 2);
    CHECK(l.interlock.state() == State::latched);
}

TEST_CASE("a reset with nothing to reset is refused") {
    Line l;
    l.permit();
    CHECK(l.step({{CommandKind::reset, Origin::local, 4}}));
    CHECK(l.count(EventKind::refused) == 1);
}

TEST_CASE("so many losses of the permit in a window lock out; more causes of one loss count once") {
    Line l;
    l.permit();
    for (int trip = 1; trip <= 3; ++trip) {
        l.conditions = {Condition::bad, Condition::clear, Condition::bad};
        l.step();
        CHECK(l.count(EventKind::tripped) == 2);
        CHECK(l.count(EventKind::locked_out) == (trip == 3 ? 1 : 0));
        l.conditions = {Condition::clear, Condition::clear, Condition::clear};
        for (int i = 0; i < 5; ++i) l.step();
    }
    CHECK(l.interlock.state() == State::locked_out);
    l.step({}, 1h);
    CHECK(l.interlock.state() == State::locked_out);
    CHECK_FALSE(l.step({{CommandKind::reset, Origin::local, 1}}));
    CHECK(l.step());
}

TEST_CASE("trips further apart than the window don't add up; faster ones do in the end") {
    for (const auto& [gap, locks] : {std::pair{120s, false}, std::pair{80s, true}}) {
        Line l;
        l.permit();
        for (int trip = 0; trip < 20 && l.interlock.state() != State::locked_out; ++trip) {
            l.set(0, Condition::bad);
            l.set(0, Condition::clear);
            l.step({}, gap);
        }
        CHECK((l.interlock.state() == State::locked_out) == locks);
    }
}

TEST_CASE("a source that isn't counted never locks out") {
    Line l;
    l.permit();
    for (int trip = 0; trip < 20; ++trip) {
        l.set(2, Condition::bad);
        l.set(2, Condition::clear);
        l.step();
    }
    CHECK(l.interlock.permit());
}

TEST_CASE("holds: each origin's own, local stronger, and the release permits a step later") {
    Line l;
    l.permit();
    CHECK_FALSE(l.step({{CommandKind::hold, Origin::remote, 1}}));
    CHECK(l.interlock.state() == State::held);
    CHECK(l.interlock.memory().held_remotely);
    l.step({{CommandKind::hold, Origin::local, 2}});
    l.step({{CommandKind::release, Origin::remote, 3}});
    CHECK(l.count(EventKind::refused) == 1);
    CHECK(l.interlock.memory().held_remotely);
    CHECK_FALSE(l.step({{CommandKind::release, Origin::local, 4}}));
    CHECK(l.count(EventKind::released) == 1);
    CHECK(l.step());
    l.step({{CommandKind::release, Origin::local, 5}});
    CHECK(l.count(EventKind::refused) == 1);
}

TEST_CASE("hold and release in one step end inhibited for that step") {
    Line l;
    l.permit();
    CHECK(l.step({{CommandKind::hold, Origin::local, 1}, {CommandKind::release, Origin::local, 2}}) ==
          l.interlock.permit());
    CHECK(l.step());
}

TEST_CASE("severity: locked out over latched over held over tripped over starting") {
    Memory m;
    m.latched = {false, true, false};
    Line l{quick(), m};
    l.step({{CommandKind::hold, Origin::local, 1}});
    CHECK(l.interlock.state() == State::latched);
    m.locked_out = true;
    Line k{quick(), m};
    k.step();
    CHECK(k.interlock.state() == State::locked_out);
    Line j;
    j.set(0, Condition::bad);  // known to be bad while starting: a trip
    CHECK(j.interlock.state() == State::tripped);
    j.step({{CommandKind::hold, Origin::local, 1}});
    CHECK(j.interlock.state() == State::held);
}

TEST_CASE("memory: absent file, damaged file, wrong size, and a hold after start") {
    for (const auto field : {&Memory::first_start, &Memory::unreadable}) {
        Memory m;
        m.*field = true;
        Line l{quick(), m};
        for (int i = 0; i < 5; ++i) CHECK_FALSE(l.step());
        CHECK(l.interlock.state() == State::latched);
        l.step({{CommandKind::reset, Origin::local, 1}});
        CHECK(l.step());
        CHECK_FALSE(l.interlock.memory().*field);
    }
    Memory wrong;
    wrong.latched = {false};
    Line l{quick(), wrong};
    CHECK(l.interlock.memory().unreadable);
    InterlockPlan held = quick();
    held.held_after_start = true;
    Line h{held};
    for (int i = 0; i < 5; ++i) h.step();
    CHECK(h.interlock.state() == State::held);
    h.step({{CommandKind::release, Origin::remote, 1}});
    CHECK(h.step());
}

TEST_CASE("the memory changes only with an event, so that idling writes nothing") {
    Line l;
    l.permit();
    l.set(0, Condition::bad);
    l.set(0, Condition::clear);
    const Memory after_trip = l.interlock.memory();
    CHECK(after_trip.trip_level == 100s);
    for (int i = 0; i < 50; ++i) l.step();
    CHECK(l.interlock.memory() == after_trip);
    for (int i = 0; i < 60; ++i) l.step();
    CHECK(l.interlock.memory().trip_level == 0s);  // leaked away: one write, so that a crash much later counts once
}

TEST_CASE("unclean starts: three within their window lock out, with their time carried over") {
    InterlockPlan plan = quick();
    plan.lockout_trips = 9;
    Memory m;
    for (int start = 1; start <= 3; ++start) {
        Line l{plan, m, true};
        for (int i = 0; i < 4; ++i) l.step();
        CHECK(l.interlock.permit() == (start < 3));
        m = l.interlock.memory();
    }
    Line later{plan, Memory{}, true};
    later.permit();
    later.step({}, 15min);
    CHECK(later.interlock.memory().unclean_level == 0s);
}

TEST_CASE("conditions that are missing are unknown") {
    Line l;
    l.permit();
    l.conditions.pop_back();
    CHECK_FALSE(l.step());
}

TEST_CASE("time that runs backwards stands still") {
    Line l;
    l.permit();
    l.set(0, Condition::bad);
    l.set(0, Condition::clear);
    l.now = Instant{0s};
    CHECK_FALSE(l.step());
    CHECK_FALSE(l.step());
}

TEST_CASE("events that find no room are counted") {
    EventList small{1};
    small.add({});
    small.add({});
    CHECK(small.all().size() == 1);
    CHECK(small.dropped() == 1);
    CHECK(small.all()[0].number == 1);
    small.clear();
    small.add({});
    CHECK(small.all()[0].number == 3);
}

TEST_CASE("counters that a file has far too high are no more than full") {
    Memory memory;
    memory.trip_level = memory.unclean_level = Duration::max();
    const InterlockPlan plan = quick();
    const Line l{plan, memory, true};
    CHECK(l.interlock.memory().locked_out);
    CHECK(l.interlock.memory().trip_level == plan.lockout_window * plan.lockout_trips);
    CHECK(l.interlock.memory().unclean_level == plan.unclean_window * plan.unclean_starts);
}

TEST_CASE("every word is there") {
    for (int i = 0; i <= static_cast<int>(State::locked_out); ++i) CHECK_FALSE(text(static_cast<State>(i)).empty());
    for (int i = 0; i <= static_cast<int>(EventKind::proof_ended); ++i)
        CHECK_FALSE(text(static_cast<EventKind>(i)).empty());
    for (int i = 0; i <= static_cast<int>(Origin::remote); ++i) CHECK_FALSE(text(static_cast<Origin>(i)).empty());
    for (int i = 0; i <= static_cast<int>(CommandKind::objected); ++i) {
        CHECK_FALSE(text(static_cast<CommandKind>(i)).empty());
    }
}

TEST_CASE("a latch that the memory holds stands after the start, whatever the source's rule says now") {
    for (std::size_t source = 0; source < 3; ++source) {
        CAPTURE(source);
        Memory memory;
        memory.latched = {source == 0, source == 1, source == 2};
        Line l{quick(), memory};
        CHECK(l.interlock.causes()[source].latched);
        for (int i = 0; i < 5; ++i) CHECK_FALSE(l.step());
        CHECK(l.interlock.state() == State::latched);
    }
}

TEST_CASE("an unclean start counts as a trip, and is remembered as one") {
    Line l{quick(), {}, true};
    CHECK(l.interlock.memory().trip_level == 100s);
    CHECK(l.interlock.memory().unclean_level == 15min);
    l.permit();
    l.set(0, Condition::bad);
    CHECK(l.count(EventKind::locked_out) == 0);
    l.set(0, Condition::clear);
    for (int i = 0; i < 5; ++i) l.step();
    REQUIRE(l.interlock.permit());
    l.set(0, Condition::bad);  // the third within the window
    CHECK(l.count(EventKind::locked_out) == 1);
    // The same by memory alone: two trips before, an unclean start now.
    Memory memory;
    memory.trip_level = 150s;
    CHECK(Line{quick(), memory, true}.interlock.memory().locked_out);
    CHECK_FALSE(Line{quick(), memory, false}.interlock.memory().locked_out);
}

TEST_CASE("what a trip makes the memory keep is both counters as they have leaked by then") {
    Line l{quick(), {}, true};
    l.permit();
    const Duration lasted = 10s;
    l.step({}, lasted);
    const Duration unclean = l.interlock.unclean_level();
    CHECK(unclean < 15min - lasted);
    CHECK(l.interlock.memory().unclean_level == 15min);  // idling writes nothing
    l.set(0, Condition::bad);
    CHECK(l.interlock.memory().unclean_level == unclean - 1s);
    CHECK(l.interlock.memory().trip_level == l.interlock.trip_level());
}

TEST_CASE("with no number of trips there is no lockout by trips") {
    InterlockPlan plan = quick();
    plan.lockout_trips = 0;
    plan.lockout_window = 60s;
    Line l{plan};
    for (int trip = 0; trip < 5; ++trip) {
        while (!l.step()) REQUIRE(l.now < Instant{1h});
        l.set(0, Condition::bad);
        CHECK(l.interlock.state() == State::tripped);
        l.conditions[0] = Condition::clear;
    }
}

TEST_CASE("time that runs backwards counts as standing still") {
    Line l;
    l.permit();
    l.set(0, Condition::bad);
    l.set(0, Condition::clear);
    const Duration level = l.interlock.trip_level();
    CHECK_FALSE(l.step({}, -5s));
    CHECK(l.interlock.trip_level() == level);
    CHECK(l.interlock.causes()[0].active);
    CHECK_FALSE(l.step({}, 7999ms));  // 1 ms before its hold-off ends
    CHECK(l.step({}, 1ms));
}

TEST_CASE("a cause knows since when it stands, and a hold is answered") {
    Line l;
    l.permit();
    l.set(0, Condition::bad);
    CHECK(l.interlock.causes()[0].since == l.now);
    const Instant tripped = l.now;
    l.set(0, Condition::bad);
    CHECK(l.interlock.causes()[0].since == tripped);
    l.step({{CommandKind::hold, Origin::remote, 7}});
    REQUIRE(l.count(EventKind::held) == 1);
    for (const Event& e : l.events.all()) {
        if (e.kind != EventKind::held) continue;
        CHECK(e.command_id == 7);
        CHECK(e.origin == Origin::remote);
    }
}

TEST_CASE("an event's row is its kind's, and the last one for a kind that there is none of") {
    CHECK(row_of(EventKind::started).kind == EventKind::started);
    CHECK(row_of(EventKind::tripped).kind == EventKind::tripped);
    CHECK(row_of(EventKind::proof_passed).kind == EventKind::proof_passed);
    CHECK(row_of(EventKind::proof_ended).kind == EventKind::proof_ended);
    CHECK(row_of(static_cast<EventKind>(event_kind_count)).kind == EventKind::proof_ended);
}

TEST_CASE("a part of a proof that failed is a warning, one that passed is not; what is forced never is") {
    const auto severity = [](EventKind kind, ProofEnd why, bool forced = false) {
        return severity_of({.kind = kind, .forced = forced, .why = why});
    };
    CHECK(severity(EventKind::proof_line, ProofEnd::passed) == Severity::notice);
    CHECK(severity(EventKind::proof_line, ProofEnd::line_silent) == Severity::warning);
    CHECK(severity(EventKind::proof_limit, ProofEnd::passed) == Severity::notice);
    CHECK(severity(EventKind::proof_limit, ProofEnd::line_silent) == Severity::warning);
    CHECK(severity(EventKind::tripped, ProofEnd::passed) == Severity::alarm);
    CHECK(severity(EventKind::tripped, ProofEnd::passed, true) == Severity::notice);
    CHECK(severity(EventKind::permitted, ProofEnd::line_silent) == Severity::good);
}

TEST_CASE("a lockout after one trip is a lockout at the first one") {
    InterlockPlan plan = quick();
    plan.lockout_trips = 1;
    Line l{plan};
    l.permit();
    CHECK_FALSE(l.set(0, Condition::bad));
    CHECK(l.count(EventKind::locked_out) == 1);
    CHECK(l.interlock.state() == State::locked_out);
    plan.unclean_starts = 1;
    CHECK(Line{plan, {}, true}.interlock.state() == State::locked_out);
}

TEST_CASE("only held locally: that hold, and nothing else that keeps the permit away") {
    const auto only = [](auto change) {
        Memory memory;
        memory.held_locally = true;
        change(memory);
        Line l{quick(), memory};
        CHECK_FALSE(l.interlock.only_held_locally());  // starting
        for (int i = 0; i < 4; ++i) l.step();
        return l.interlock.only_held_locally();
    };
    CHECK(only([](Memory&) {}));
    CHECK_FALSE(only([](Memory& m) { m.held_locally = false; }));
    CHECK_FALSE(only([](Memory& m) { m.held_remotely = true; }));
    CHECK_FALSE(only([](Memory& m) { m.locked_out = true; }));
    CHECK_FALSE(only([](Memory& m) { m.first_start = true; }));
    CHECK_FALSE(only([](Memory& m) { m.unreadable = true; }));
    CHECK_FALSE(only([](Memory& m) { m.latched = {false, true, false}; }));
}

TEST_CASE(
    "drive ends in the step of an order: the permit waits for the next step; what only tells something is no order") {
    for (const CommandKind kind : {CommandKind::reset, CommandKind::release, CommandKind::noted}) {
        Line l;
        l.drive_absent = false;
        for (int i = 0; i < 5; ++i) CHECK_FALSE(l.step());
        l.drive_absent = true;
        const bool order = kind != CommandKind::noted;
        // The last command only tells something: the order before it counts all the same.
        CHECK(l.step({{.kind = kind, .id = 1}, {.kind = CommandKind::noted, .id = 2}}) == !order);
        CHECK(l.step());
    }
}

TEST_CASE("a reset while a cause stands is refused by that cause's name, whichever it is") {
    for (const std::size_t standing : {0U, 1U, 2U}) {
        CAPTURE(standing);
        Line l;
        l.permit();
        l.set(1, Condition::bad);
        l.conditions[1] = Condition::clear;
        l.set(standing, Condition::bad);
        for (int i = 0; i < 3; ++i) l.step();
        l.step({{.kind = CommandKind::reset, .id = 5}});
        REQUIRE(l.count(EventKind::refused) == 1);
        for (const Event& e : l.events.all()) {
            if (e.kind == EventKind::refused) CHECK(e.source == standing);
        }
        CHECK(l.interlock.memory().latched[1]);
    }
}

TEST_CASE("a reset leaves nothing of a latch to the storage, and counts trips and unclean stops from nothing") {
    InterlockPlan plan = quick();
    plan.unclean_starts = 5;
    plan.unclean_window = 1000s;
    Line l{plan, {}, true};  // which counts as one trip, too
    l.permit();
    l.set(1, Condition::bad);
    CHECK(l.interlock.memory().latched == std::vector<std::uint8_t>{0, 1, 0});
    CHECK(l.interlock.memory().trip_level > 150s);
    CHECK(l.interlock.memory().unclean_level > 900s);
    l.set(1, Condition::clear);
    l.step({{.kind = CommandKind::reset, .id = 1}});
    CHECK(l.count(EventKind::reset) == 1);
    CHECK(l.interlock.memory().latched == std::vector<std::uint8_t>{0, 0, 0});
    CHECK(l.interlock.memory().trip_level == 0s);
    CHECK(l.interlock.memory().unclean_level == 0s);
    for (int trips = 1; trips <= 3; ++trips) {  // the third one of these locks out, and no earlier one
        l.permit();
        l.set(0, Condition::bad);
        CHECK((l.interlock.state() == State::locked_out) == (trips == 3));
        l.set(0, Condition::clear);
        l.step();
    }
}
