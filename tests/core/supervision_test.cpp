#include "core/supervision.hpp"

#include <doctest/doctest.h>

#include <set>

#include "core/timeline.hpp"

using namespace timeline;

namespace {

// The supervision alone, at 20 ms a step, with every reading renewed at each.
struct Watch {
    Plan the_plan;
    Supervision supervision{the_plan};
    Instant now{100s};
    bool permit = false, starting = false, line_known = true, line_permit_as_written = true;
    double forward_w = 0.0, reflected_w = 0.0, drive_w = 0.0, current_a = 1.0, heatsink_c = 30.0, heat_w = 0.0;
    double supply_v = 28.0;
    double sense = -1.0;      ///< negative: no sense input
    double contact = -1.0;    ///< the contactor's; negative: none
    Instant contact_taken{};  ///< epoch: now
    bool forward_lost = false, reflected_floor = false;
    std::optional<Instant> transmitting;

    explicit Watch(Plan p) : the_plan{std::move(p)} {}

    Reading good(double value) const {
        return {
            .value = value, .low = value, .high = value, .health = Health::good, .fault = Fault::none, .taken = now};
    }
    Condition step(Builtin which) {
        const Reading forward = forward_lost ? Reading{} : good(forward_w);
        Reading reflected = good(reflected_w);
        if (reflected_floor) reflected.health = Health::at_floor;
        const Reading drive = good(drive_w), current = good(current_a), heatsink = good(heatsink_c);
        const Reading heat = good(heat_w), dc = good(supply_v * current_a), enable = good(sense);
        Reading contacts = good(contact);
        if (contact_taken != Instant{}) contacts.taken = contact_taken;
        const auto& c = supervision.judge({.now = now,
                                           .permit = permit,
                                           .starting = starting,
                                           .line = {line_known, line_permit_as_written ? permit : !permit},
                                           .contactor_line = {true, supervision.contactor_closed()},
                                           .forward = &forward,
                                           .reflected = &reflected,
                                           .drive = &drive,
                                           .current = &current,
                                           .heatsink = &heatsink,
                                           .enable_sense = sense < 0.0 ? nullptr : &enable,
                                           .contactor_sense = contact < 0.0 ? nullptr : &contacts,
                                           .dc_power = &dc,
                                           .heat = &heat,
                                           .ratios_measurable = forward_w >= 6.0,
                                           .transmitting_since = transmitting});
        now += 20ms;
        return c[static_cast<std::size_t>(which)];
    }
    // The condition after `length`, and how long it took to turn bad (-1 s: it didn't).
    Duration until_bad(Builtin which, Duration most) {
        for (const Instant begin = now; now - begin <= most;) {
            const Instant at = now;
            if (step(which) == Condition::bad) return at - begin;
        }
        return -1s;
    }
    void idle(Builtin which, Duration length) {
        for (const Instant end = now + length; now < end;) step(which);
    }
};

Plan complete() {
    Plan p = plan();
    p.rf.small_signal_gain_db = 18.0;
    p.plausibility.current_with_rf_a = 3.0;
    p.plausibility.best_return_loss_db = 35.0;
    p.plausibility.heating_w = 50.0;
    p.plausibility.heating_time = 60s;
    return p;
}

constexpr Duration never = -1s;

}  // namespace

TEST_CASE("every built-in has an id and a name") {
    std::set<std::string_view> ids;
    for (std::size_t i = 0; i < builtin_count; ++i) {
        CHECK(ids.insert(describe(static_cast<Builtin>(i)).id).second);
        CHECK_FALSE(describe(static_cast<Builtin>(i)).name.empty());
    }
}

TEST_CASE("line: a wrong read-back is bad, an impossible one unknown") {
    Watch w{complete()};
    CHECK(w.step(Builtin::line_mismatch) == Condition::clear);
    w.line_permit_as_written = false;
    CHECK(w.step(Builtin::line_mismatch) == Condition::bad);
    w.line_known = false;
    CHECK(w.step(Builtin::line_mismatch) == Condition::unknown);
}

TEST_CASE("enable sense: both ways, after the relay's time") {
    for (const bool permit : {true, false}) {
        Watch w{complete()};
        w.permit = permit;
        w.sense = permit ? 1.0 : 0.0;
        w.idle(Builtin::enable_mismatch, 1s);
        CHECK(w.step(Builtin::enable_mismatch) == Condition::clear);
        w.permit = !permit;  // the contact doesn't follow
        const Duration late = w.until_bad(Builtin::enable_mismatch, 1s);
        CHECK(late > 60ms);  // release time
        CHECK(late <= 120ms);
    }
}

TEST_CASE("RF while inhibited: by forward, or by current where forward is lost") {
    Watch w{complete()};
    w.permit = true;
    w.forward_w = 100.0;
    w.current_a = 10.0;
    w.idle(Builtin::rf_while_inhibited, 1s);
    w.permit = false;
    CHECK(w.until_bad(Builtin::rf_while_inhibited, 1s) == 100ms);  // 60 ms release, the next scan, and 20 ms
    w.forward_w = 0.0;
    CHECK(w.step(Builtin::rf_while_inhibited) == Condition::clear);
    w.forward_lost = true;
    w.current_a = 1.0;
    w.idle(Builtin::rf_while_inhibited, 1s);
    CHECK(w.step(Builtin::rf_while_inhibited) == Condition::clear);
    w.current_a = 3.0;
    CHECK(w.until_bad(Builtin::rf_while_inhibited, 1s) == 20ms);
}

TEST_CASE("RF while inhibited: by reflected where forward is dead or lost, in conversions begun after the release") {
    for (const bool lost : {false, true}) {
        CAPTURE(lost);
        Watch w{complete()};
        w.permit = true;
        w.idle(Builtin::rf_while_inhibited, 1s);
        w.permit = false;
        w.reflected_w = 1.0;
        w.forward_lost = lost;
        CHECK(w.until_bad(Builtin::rf_while_inhibited, 1s) == 100ms);  // 60 ms release, the next scan, and 20 ms
        w.reflected_w = 0.999;
        w.forward_lost = false;
        CHECK(w.step(Builtin::rf_while_inhibited) == Condition::clear);
    }
}

TEST_CASE("RF that reflected sees is no excuse of a forward detector that doesn't") {
    Watch w{complete()};
    w.permit = true;
    w.reflected_w = 2.0;
    w.drive_w = 2.0;
    CHECK(w.until_bad(Builtin::drive_without_forward, 3s) == 600ms);
    w.drive_w = 0.0;
    w.current_a = 3.0;
    CHECK(w.until_bad(Builtin::current_without_forward, 3s) == 500ms);
}

TEST_CASE("RF while inhibited doesn't apply where a bypass carries the enable") {
    Plan p = complete();
    p.supervision.monitor_only = true;
    Watch w{p};
    w.forward_w = 100.0;
    CHECK(w.until_bad(Builtin::rf_while_inhibited, 2s) == never);
}

TEST_CASE("drive without forward: only permitted, after the switching time, and with drive that must show") {
    Watch w{complete()};
    w.drive_w = 2.0;
    CHECK(w.until_bad(Builtin::drive_without_forward, 3s) == never);  // inhibited: normal
    w.permit = true;
    CHECK(w.until_bad(Builtin::drive_without_forward, 3s) == 600ms);  // switching 100 ms, qualify 500 ms
    Watch small{complete()};
    small.permit = true;
    small.drive_w = 0.5;  // at 8 dB of gain that is 3 W: it needn't show
    CHECK(small.until_bad(Builtin::drive_without_forward, 3s) == never);
    Watch working{complete()};
    working.permit = true;
    working.drive_w = 2.0;
    working.forward_w = 1.0;
    CHECK(working.until_bad(Builtin::drive_without_forward, 3s) == never);
}

TEST_CASE("current without forward; a class-AB bias alone is not it") {
    Watch w{complete()};
    w.permit = true;
    w.current_a = 2.9;
    CHECK(w.until_bad(Builtin::current_without_forward, 3s) == never);
    w.current_a = 3.0;
    CHECK(w.until_bad(Builtin::current_without_forward, 3s) == 500ms);
    w.permit = false;
    w.idle(Builtin::current_without_forward, 4s);
    CHECK(w.step(Builtin::current_without_forward) == Condition::clear);
}

TEST_CASE("current is that of the sign before in a gap of the keying; a forward detector that dies is found") {
    Watch w{complete()};
    w.permit = true;
    w.current_a = 8.0;  // a mean, which falls later than forward
    for (int sign = 0; sign < 100; ++sign) {
        w.forward_w = 100.0;
        CHECK(w.until_bad(Builtin::current_without_forward, 100ms) == never);
        w.forward_w = 0.0;
        CHECK(w.until_bad(Builtin::current_without_forward, 80ms) == never);
    }
    const Duration found = w.until_bad(Builtin::current_without_forward, 3s);  // 100 ms of switching, 500 ms to qualify
    CHECK(found >= 500ms);
    CHECK(found <= 600ms);
}

TEST_CASE("RF with no current is a dead current sensor") {
    Watch w{complete()};
    w.permit = true;
    w.forward_w = 100.0;
    w.current_a = 2.4;  // 67 W for 100 W of RF: 149 %, within what two bad readings may say
    CHECK(w.until_bad(Builtin::rf_without_current, 3s) == never);
    w.current_a = 0.0;
    CHECK(w.until_bad(Builtin::rf_without_current, 3s) == 500ms);
}

TEST_CASE("reflected on its floor while even the best antenna would show") {
    Watch w{complete()};
    w.permit = true;
    w.reflected_floor = true;
    w.reflected_w = 0.001;
    w.forward_w = 3.0;  // ratios not measurable
    CHECK(w.until_bad(Builtin::reflected_on_floor, 2s) == never);
    w.forward_w = 100.0;  // 35 dB down is 32 mW: it must show above a floor of 1 mW
    CHECK(w.until_bad(Builtin::reflected_on_floor, 2s) == 500ms);
    Watch high_floor{complete()};
    high_floor.reflected_floor = true;
    high_floor.reflected_w = 0.1;
    high_floor.forward_w = 100.0;
    CHECK(high_floor.until_bad(Builtin::reflected_on_floor, 2s) == never);
    Watch good{complete()};
    good.forward_w = 100.0;
    good.reflected_w = 0.04;
    CHECK(good.until_bad(Builtin::reflected_on_floor, 2s) == never);
    good.reflected_w = 0.03;
    CHECK(good.until_bad(Builtin::reflected_on_floor, 2s) == 500ms);
}

TEST_CASE("heat without rise: after a rest, within its time, and not in a steady state") {
    Watch w{complete()};
    w.idle(Builtin::heat_without_rise, 61s);
    w.heat_w = 100.0;
    CHECK(w.until_bad(Builtin::heat_without_rise, 120s) == 60s);
    Watch rising{complete()};
    rising.idle(Builtin::heat_without_rise, 61s);
    rising.heat_w = 100.0;
    rising.idle(Builtin::heat_without_rise, 30s);
    rising.heatsink_c = 32.0;
    CHECK(rising.until_bad(Builtin::heat_without_rise, 600s) == never);  // settled later: no further rise is needed
    Watch warm{complete()};
    warm.idle(Builtin::heat_without_rise, 30s);  // hadn't rested long enough to be cool
    warm.heat_w = 100.0;
    CHECK(warm.until_bad(Builtin::heat_without_rise, 300s) == never);
}

TEST_CASE("the longest transmission") {
    Plan p = complete();
    p.supervision.longest_transmission = 10s;
    Watch w{p};
    w.transmitting = w.now;
    CHECK(w.until_bad(Builtin::longest_transmission, 20s) == 10s);
    w.transmitting.reset();
    CHECK(w.step(Builtin::longest_transmission) == Condition::clear);
}

TEST_CASE("the contactor closes only with the line read back inhibited and no RF, and drops on an alarm") {
    Plan p = complete();
    p.supervision.contactor = true;
    p.supervision.contactor_time = 200ms;
    Watch w{p};
    w.starting = true;
    w.forward_w = 50.0;
    CHECK(w.step(Builtin::contactor_open) == Condition::band);
    CHECK_FALSE(w.supervision.contactor_closed());
    w.idle(Builtin::contactor_open, 1s);
    w.forward_w = 0.0;
    w.step(Builtin::contactor_open);
    CHECK(w.supervision.contactor_closed());
    CHECK_FALSE(w.supervision.supplied(w.now));
    w.idle(Builtin::contactor_open, 200ms);
    CHECK(w.step(Builtin::contactor_open) == Condition::clear);
    w.starting = false;
    w.permit = true;
    w.forward_w = 100.0;
    w.current_a = 10.0;
    w.idle(Builtin::contactor_open, 1s);
    CHECK(w.supervision.contactor_closed());
    w.permit = false;  // the relay is stuck: RF goes on
    w.idle(Builtin::contactor_open, 300ms);
    CHECK_FALSE(w.supervision.contactor_closed());
    CHECK(w.step(Builtin::contactor_open) == Condition::bad);
    w.forward_w = 0.0;
    w.idle(Builtin::contactor_open, 200ms);
    CHECK(w.supervision.contactor_closed());  // the latch that stands in the interlock keeps the permit away
}

TEST_CASE("a look that began with the contactor's order tells nothing of it; then looks count, not the time between") {
    Plan p = complete();
    p.supervision.contactor = true;
    p.supervision.contactor_time = 200ms;
    Watch w{p};
    w.contact = 1.0;
    w.step(Builtin::contactor_stuck_open);
    const Instant closed = w.now - 20ms;
    REQUIRE(w.supervision.contactor_closed());
    w.contact_taken = closed;
    CHECK(w.step(Builtin::contactor_stuck_open) == Condition::missed);
    w.contact_taken = closed + 1ns;
    CHECK(w.step(Builtin::contactor_stuck_open) == Condition::band);
    w.now += 10s;
    CHECK(w.step(Builtin::contactor_stuck_open) == Condition::band);
    w.contact_taken = closed + 200ms;
    CHECK(w.step(Builtin::contactor_stuck_open) == Condition::band);
    w.contact_taken = closed + 200ms + 1ns;
    CHECK(w.step(Builtin::contactor_stuck_open) == Condition::bad);
    CHECK(w.step(Builtin::contactor_stuck_closed) == Condition::clear);
    w.contact = 0.0;
    CHECK(w.step(Builtin::contactor_stuck_open) == Condition::clear);
    w.contact = 1.0;
    CHECK(w.step(Builtin::contactor_stuck_open) == Condition::band);  // counts from the first look again
}

TEST_CASE("a start that nobody has to note is no cause") {
    Watch w{complete()};
    CHECK(w.step(Builtin::start_not_stored) == Condition::clear);
}

TEST_CASE("a start that the storage hasn't taken: part of starting, a cause later, gone for good once it has") {
    Plan p = complete();
    Supervision supervision{p, false};
    const auto judged = [&](bool starting, bool noted) {
        return supervision.judge({.now = Instant{100s},
                                  .starting = starting,
                                  .line = {},
                                  .start_noted = noted,
                                  .transmitting_since = {}})[static_cast<std::size_t>(Builtin::start_not_stored)];
    };
    CHECK(judged(true, false) == Condition::band);
    CHECK(judged(false, false) == Condition::bad);
    CHECK(judged(true, true) == Condition::clear);
    CHECK(judged(false, false) == Condition::clear);
}

TEST_CASE("the guard's own deadline") {
    Watch w{complete()};
    w.step(Builtin::overrun);
    for (int i = 1; i <= 3; ++i) {
        w.now += 300ms;
        CHECK(w.step(Builtin::overrun) == (i < 3 ? Condition::clear : Condition::bad));
    }
    CHECK(w.supervision.overruns() == 3);
    CHECK(w.step(Builtin::overrun) == Condition::clear);
}

TEST_CASE("contradictions latch; what an operator or the sun brings about does not, and isn't counted") {
    struct Row {
        Builtin builtin;
        bool latches, counted;
    };
    for (const Row& row : {Row{Builtin::overrun, false, true},
                           {Builtin::line_mismatch, true, true},
                           {Builtin::enable_mismatch, true, true},
                           {Builtin::rf_while_inhibited, true, true},
                           {Builtin::contactor_open, false, false},
                           {Builtin::reflected_exceeds_forward, true, true},
                           {Builtin::drive_without_forward, true, true},
                           {Builtin::current_without_forward, true, true},
                           {Builtin::rf_without_current, true, true},
                           {Builtin::reflected_on_floor, true, true},
                           {Builtin::heat_without_rise, true, true},
                           {Builtin::longest_transmission, false, false},
                           {Builtin::suspended, true, true},
                           {Builtin::contactor_line_mismatch, true, true},
                           {Builtin::contactor_stuck_closed, true, true},
                           {Builtin::contactor_stuck_open, false, true},
                           {Builtin::uncalibrated, false, false},
                           {Builtin::start_not_stored, false, false},
                           {Builtin::second_opinion, true, true}}) {
        CAPTURE(describe(row.builtin).id);
        CHECK(describe(row.builtin).latches == row.latches);
        CHECK(describe(row.builtin).counted == row.counted);
    }
}

TEST_CASE("what isn't measured at all is no cause") {
    const Plan p = complete();
    Supervision supervision{p};
    for (const bool permit : {false, true}) {
        for (int i = 0; i < 100; ++i) {
            const auto& conditions = supervision.judge({.now = Instant{100s} + i * 20ms,
                                                        .permit = permit,
                                                        .starting = false,
                                                        .line = {.known = true, .permit = permit},
                                                        .transmitting_since = {}});
            for (std::size_t which = 0; which < builtin_count; ++which) {
                CAPTURE(describe(static_cast<Builtin>(which)).id);
                CHECK(conditions[which] == Condition::clear);
            }
        }
    }
}

TEST_CASE("in fair weather each rule has looked: none waits for news but the one that is judged with the scans") {
    Watch w{complete()};
    w.sense = 0.0;
    for (std::size_t which = 0; which < builtin_count; ++which) {
        const auto builtin = static_cast<Builtin>(which);
        CAPTURE(describe(builtin).id);
        CHECK(w.step(builtin) ==
              (builtin == Builtin::reflected_exceeds_forward ? Condition::missed : Condition::clear));
    }
}

TEST_CASE("a contactor that there is none of is neither open nor closing") {
    Watch w{complete()};
    CHECK(w.step(Builtin::contactor_open) == Condition::clear);
    CHECK(w.supervision.supplied(w.now));
    CHECK_FALSE(w.supervision.unsupplied(w.now));
    CHECK_FALSE(w.supervision.contactor_closed());
    w.idle(Builtin::contactor_open, 10s);
    CHECK(w.supervision.supplied(w.now));
    CHECK_FALSE(w.supervision.unsupplied(w.now));
}

namespace {
/// What the supervision is told of a contactor, a step at a time.
struct Supply {
    Plan plan;
    Supervision supervision{plan};
    Situation s;
    Reading no_rf{.value = 0.0, .health = Health::good, .fault = Fault::none};
    Reading open{.value = 1.0, .health = Health::good, .fault = Fault::none};  ///< the contacts, as they were told

    explicit Supply(Plan p = complete()) : plan{std::move(p)} {
        plan.supervision.contactor = true;
        plan.supervision.contactor_time = 200ms;
        s.now = Instant{100s};
        s.line.known = true;
        s.forward = s.reflected = &no_rf;
        s.contactor_sense = &open;
    }
    Condition step(Duration later = 20ms) {
        s.now += later;
        no_rf.taken = open.taken = s.now;
        open.value = supervision.contactor_closed() ? 0.0 : 1.0;
        s.contactor_line = {.known = true, .permit = supervision.contactor_closed()};
        return supervision.judge(s)[static_cast<std::size_t>(Builtin::contactor_open)];
    }
};
}  // namespace

TEST_CASE("the supply counts as on, and as off, from the contactor's time on and not before") {
    Supply supply;
    CHECK(supply.step() == Condition::band);
    CHECK(supply.supervision.contactor_closed());
    const Instant closed = supply.s.now;
    CHECK_FALSE(supply.supervision.supplied(closed + 200ms - 1ns));
    CHECK(supply.supervision.supplied(closed + 200ms));
    CHECK_FALSE(supply.supervision.unsupplied(closed + 10s));
    CHECK(supply.step(200ms - 1ns) == Condition::band);
    CHECK(supply.step(1ns) == Condition::clear);
    supply.s.starting = false;
    supply.s.drop_supply = true;
    CHECK(supply.step() == Condition::band);  // a proof test's doing is no cause
    CHECK_FALSE(supply.supervision.contactor_closed());
    CHECK_FALSE(supply.supervision.unsupplied(supply.s.now + 10s));  // not seen yet
    supply.step();
    const Instant opened = supply.s.now;
    CHECK_FALSE(supply.supervision.unsupplied(opened + 200ms - 1ns));
    CHECK(supply.supervision.unsupplied(opened + 200ms));
    CHECK_FALSE(supply.supervision.supplied(opened + 10s));
    supply.s.drop_supply = false;
    CHECK(supply.step(5s) == Condition::bad);  // closed again, and not yet settled
    CHECK(supply.step(199ms) == Condition::bad);
    CHECK(supply.step(1ms) == Condition::clear);
}

TEST_CASE("the contactor closes only at a line that is known to be inhibited, with no permit and no RF") {
    const auto closes = [](auto change) {
        Supply supply;
        change(supply);
        supply.step();
        return supply.supervision.contactor_closed();
    };
    CHECK(closes([](Supply&) {}));
    CHECK_FALSE(closes([](Supply& x) { x.s.permit = x.s.line.permit = true; }));
    CHECK_FALSE(closes([](Supply& x) { x.s.line.known = false; }));
    CHECK_FALSE(closes([](Supply& x) { x.s.line.permit = true; }));
    CHECK_FALSE(closes([](Supply& x) { x.no_rf.value = 1.0; }));
    CHECK_FALSE(closes([](Supply& x) { x.no_rf.health = Health::unknown; }));
    CHECK_FALSE(closes([](Supply& x) { x.s.forward = nullptr; }));
    CHECK_FALSE(closes([](Supply& x) { x.s.drop_supply = true; }));
}

TEST_CASE(
    "a line that can't be told, or is not as written, opens the contactor, and is bad even while a proof opened it") {
    for (const bool known : {false, true}) {
        CAPTURE(known);
        Supply supply;
        supply.s.starting = false;
        supply.step();
        CHECK(supply.step(1s) == Condition::clear);
        supply.s.line = {.known = known, .permit = true};
        CHECK(supply.step() == Condition::bad);
        CHECK_FALSE(supply.supervision.contactor_closed());
        supply.s.drop_supply = true;
        CHECK(supply.step() == Condition::bad);
    }
}

TEST_CASE("the enable voltage counts from a half on, and one that can't be told is unknown") {
    Watch w{complete()};
    w.sense = 0.5;
    CHECK(w.until_bad(Builtin::enable_mismatch, 1s) >= 0s);
    w.sense = 0.499;
    CHECK(w.step(Builtin::enable_mismatch) == Condition::clear);
    Plan p = complete();
    Supervision supervision{p};
    const Reading lost{.fault = Fault::io_error};
    const auto& conditions = supervision.judge({.now = Instant{100s},
                                                .line = {.known = true, .permit = false},
                                                .enable_sense = &lost,
                                                .transmitting_since = {}});
    CHECK(conditions[static_cast<std::size_t>(Builtin::enable_mismatch)] == Condition::unknown);
}

TEST_CASE("a detector that waits for its calibration, but while commissioning") {
    for (const bool pending : {false, true}) {
        Plan p = complete();
        p.channels[reflected].power->calibration_pending = pending;
        Supervision supervision{p};
        const auto judged = [&](bool commissioning) {
            return supervision.judge({.now = Instant{100s},
                                      .line = {},
                                      .commissioning = commissioning,
                                      .transmitting_since = {}})[static_cast<std::size_t>(Builtin::uncalibrated)];
        };
        CHECK(judged(false) == (pending ? Condition::bad : Condition::clear));
        CHECK(judged(true) == Condition::clear);
    }
}

TEST_CASE("the guard's deadline itself is no overrun, and one in time begins the count anew") {
    Watch w{complete()};
    w.step(Builtin::overrun);
    const auto after = [&](Duration passed) {
        w.now += passed - 20ms;
        return w.step(Builtin::overrun);
    };
    for (int i = 0; i < 5; ++i) CHECK(after(200ms) == Condition::clear);
    CHECK(w.supervision.overruns() == 0);
    CHECK(after(200ms + 1ns) == Condition::clear);
    CHECK(after(200ms + 1ns) == Condition::clear);
    CHECK(after(20ms) == Condition::clear);
    CHECK(after(201ms) == Condition::clear);
    CHECK(after(201ms) == Condition::clear);
    CHECK(after(201ms) == Condition::bad);
    CHECK(w.supervision.overruns() == 5);
}

TEST_CASE("a rise that is just enough, in a heating that just counts") {
    const auto late = [](double heat_w, double rise_k) {
        Watch w{complete()};
        w.idle(Builtin::heat_without_rise, 61s);
        w.heat_w = heat_w;
        w.step(Builtin::heat_without_rise);
        w.heatsink_c += rise_k;
        return w.until_bad(Builtin::heat_without_rise, 300s) != never;
    };
    const double enough = complete().plausibility.heating_rise_k;
    CHECK(late(50.0, 0.0));
    CHECK_FALSE(late(49.9, 0.0));
    CHECK_FALSE(late(50.0, enough));
    CHECK(late(50.0, enough - 0.01));
}

namespace {
/// The supervision with every reading at hand, each as good or as lost as a test wants it.
struct Judge {
    Plan plan;
    Supervision supervision{plan};
    Reading forward = good(0.0), reflected = good(0.0), drive = good(0.0), current = good(0.0), heatsink = good(30.0),
            dc = good(0.0), heat = good(0.0);
    Situation s;

    explicit Judge(Plan p = complete()) : plan{std::move(p)} {
        s = {.now = Instant{100s},
             .permit = true,
             .starting = false,
             .line = {.known = true, .permit = true},
             .forward = &forward,
             .reflected = &reflected,
             .drive = &drive,
             .current = &current,
             .heatsink = &heatsink,
             .dc_power = &dc,
             .heat = &heat,
             .ratios_measurable = true,
             .transmitting_since = {}};
    }
    static Reading good(double value) {
        return {.value = value, .low = value, .high = value, .health = Health::good, .fault = Fault::none};
    }
    Condition step(Builtin which, Duration later = 20ms) {
        s.now += later;
        for (Reading* reading : {&forward, &reflected, &drive, &current, &heatsink, &dc, &heat}) reading->taken = s.now;
        return supervision.judge(s)[static_cast<std::size_t>(which)];
    }
    /// After two seconds as things are.
    Condition settled(Builtin which) {
        for (int i = 0; i < 100; ++i) step(which);
        return step(which);
    }
};
void lose(Reading& reading) {
    reading.health = Health::unknown;
    reading.fault = Fault::io_error;
}
}  // namespace

TEST_CASE("a rule whose readings never came rests from the first step on: the sensor's own cause speaks for it") {
    for (const Builtin which : {Builtin::drive_without_forward, Builtin::current_without_forward,
                                Builtin::rf_without_current, Builtin::reflected_on_floor, Builtin::heat_without_rise}) {
        CAPTURE(describe(which).id);
        Judge j;
        for (Reading* reading : {&j.forward, &j.reflected, &j.drive, &j.current, &j.heatsink, &j.dc, &j.heat})
            lose(*reading);
        for (int i = 0; i < 20; ++i) {
            const Condition c = j.step(which);
            CHECK((c == Condition::clear || c == Condition::missed));
        }
    }
    Judge inhibited;  // RF while inhibited doesn't rest
    inhibited.s.permit = inhibited.s.line.permit = false;
    for (Reading* reading : {&inhibited.forward, &inhibited.reflected, &inhibited.current}) lose(*reading);
    CHECK(inhibited.settled(Builtin::rf_while_inhibited) == Condition::unknown);
}

TEST_CASE("reflected against forward needs both") {
    Judge j;
    CHECK(j.step(Builtin::reflected_exceeds_forward) == Condition::missed);
    j.s.reflected = nullptr;
    CHECK(j.step(Builtin::reflected_exceeds_forward) == Condition::clear);
    j.s.reflected = &j.reflected;
    j.s.forward = nullptr;
    CHECK(j.step(Builtin::reflected_exceeds_forward) == Condition::clear);
}

TEST_CASE("the enable voltage has the release time to follow, to its end") {
    Watch w{complete()};
    w.sense = 0.0;
    w.idle(Builtin::enable_mismatch, 1s);
    w.permit = true;
    CHECK(w.until_bad(Builtin::enable_mismatch, 1s) == 100ms);  // 60 ms, the next look, and 20 ms
}

TEST_CASE("RF while inhibited, forward lost: current speaks where it can be told, in a conversion begun after") {
    Judge j;
    j.current = Judge::good(5.0);
    j.settled(Builtin::rf_while_inhibited);
    j.s.permit = j.s.line.permit = false;
    lose(j.forward);
    CHECK(j.settled(Builtin::rf_while_inhibited) == Condition::bad);
    j.current.value = 2.999;
    CHECK(j.step(Builtin::rf_while_inhibited) == Condition::clear);
    j.current.value = 5.0;
    lose(j.current);
    CHECK(j.step(Builtin::rf_while_inhibited) == Condition::missed);
    j.s.current = nullptr;
    CHECK(j.step(Builtin::rf_while_inhibited) == Condition::missed);
    j.s.current = &j.current;
    j.current = Judge::good(5.0);
    j.plan.plausibility.current_with_rf_a.reset();
    CHECK(j.step(Builtin::rf_while_inhibited) == Condition::missed);
}

TEST_CASE("a contradiction of readings that can't be told is no news") {
    const auto told = [](Builtin which, auto change) {
        Judge j;
        CHECK(j.settled(which) == Condition::clear);
        change(j);
        return j.step(which);
    };
    CHECK(told(Builtin::drive_without_forward, [](Judge& j) { lose(j.drive); }) == Condition::missed);
    CHECK(told(Builtin::drive_without_forward, [](Judge& j) { j.drive = Judge::good(5.0), lose(j.forward); }) ==
          Condition::missed);
    CHECK(told(Builtin::current_without_forward, [](Judge& j) { lose(j.current); }) == Condition::missed);
    CHECK(told(Builtin::current_without_forward, [](Judge& j) { j.current = Judge::good(5.0), lose(j.forward); }) ==
          Condition::missed);
    CHECK(told(Builtin::rf_without_current, [](Judge& j) { lose(j.dc); }) == Condition::missed);
    CHECK(told(Builtin::rf_without_current, [](Judge& j) { lose(j.forward); }) == Condition::missed);
    CHECK(told(Builtin::reflected_on_floor, [](Judge& j) { lose(j.reflected); }) == Condition::missed);
    CHECK(told(Builtin::reflected_on_floor, [](Judge& j) { j.forward.health = Health::above_range; }) ==
          Condition::missed);
    CHECK(told(Builtin::heat_without_rise, [](Judge& j) { lose(j.heat); }) == Condition::missed);
    CHECK(told(Builtin::heat_without_rise, [](Judge& j) { lose(j.heatsink); }) == Condition::missed);
}

TEST_CASE("drive that must show: ten decibels below the gain, from the least that is RF on") {
    const auto judged = [](double gain_db, double drive_w) {
        Plan p = complete();
        p.rf.small_signal_gain_db = gain_db;
        Judge j{p};
        j.drive = Judge::good(drive_w);
        return j.settled(Builtin::drive_without_forward);
    };
    // 18 - 10 dB is a factor of 6.3096; 6 W / 6.3096 = 0.95094 W.
    CHECK(judged(18.0, 0.952) == Condition::bad);
    CHECK(judged(18.0, 0.950) == Condition::clear);
    CHECK(judged(10.0, 6.0) == Condition::bad);
    CHECK(judged(10.0, 5.999) == Condition::clear);
}

TEST_CASE("more RF than the supply delivers: by half as much again, and only of a power that is known") {
    const auto judged = [](double forward_w, double dc_w, Health health = Health::good) {
        Judge j;
        j.forward = Judge::good(forward_w);
        j.forward.health = health;
        j.dc = Judge::good(dc_w);
        return j.settled(Builtin::rf_without_current);
    };
    CHECK(judged(90.0, 60.0) == Condition::clear);
    CHECK(judged(90.1, 60.0) == Condition::bad);
    CHECK(judged(6.0, 1.0) == Condition::bad);
    CHECK(judged(5.999, 1.0) == Condition::clear);
    CHECK(judged(90.0, 1.0, Health::above_range) != Condition::bad);
    CHECK(judged(90.0, 1.0, Health::at_floor) == Condition::clear);
}

TEST_CASE("reflected on its floor, or lower than the best load's, at the edges") {
    Plan p = complete();
    p.plausibility.best_return_loss_db = 20.0;  // 1 W of 100 W
    const auto judged = [&](double reflected_w, Health health) {
        Judge j{p};
        j.forward = Judge::good(100.0);
        j.reflected = Judge::good(reflected_w);
        j.reflected.health = health;
        return j.settled(Builtin::reflected_on_floor);
    };
    CHECK(judged(1.0, Health::good) == Condition::clear);
    CHECK(judged(0.999, Health::good) == Condition::bad);
    CHECK(judged(1.0, Health::at_floor) == Condition::clear);  // the best load couldn't be seen
    CHECK(judged(0.999, Health::at_floor) == Condition::bad);
}

TEST_CASE("heat is judged from its beginning after a rest of full length; that of the start is not") {
    Judge j;
    j.heat = Judge::good(100.0);
    for (int i = 0; i < 5; ++i) CHECK(j.step(Builtin::heat_without_rise, 60s) == Condition::clear);
    j.heat.value = 0.0;
    j.step(Builtin::heat_without_rise);
    j.heat.value = 100.0;
    CHECK(j.step(Builtin::heat_without_rise, 60s - 1ns) == Condition::clear);
    CHECK(j.step(Builtin::heat_without_rise, 600s) == Condition::clear);  // it hadn't rested long enough
    j.heat.value = 0.0;
    j.step(Builtin::heat_without_rise);
    j.heat.value = 100.0;
    CHECK(j.step(Builtin::heat_without_rise, 60s) == Condition::clear);
    CHECK(j.step(Builtin::heat_without_rise, 60s - 1ns) == Condition::clear);
    CHECK(j.step(Builtin::heat_without_rise, 1ns) == Condition::bad);
}

TEST_CASE("RF while inhibited: conversions begun at the release's end are of before, of forward and of reflected") {
    const auto judged = [](Duration forward_after, Duration reflected_after) {
        Judge j;
        j.settled(Builtin::rf_while_inhibited);
        j.s.permit = j.s.line.permit = false;
        j.step(Builtin::rf_while_inhibited);
        const Instant released = j.s.now + 60ms;
        j.forward = Judge::good(50.0);
        for (int i = 0; i < 10; ++i) {
            j.s.now += 20ms;
            j.forward.taken = released + forward_after;
            j.reflected.taken = released + reflected_after;
            j.supervision.judge(j.s);
        }
        return j.supervision.judge(j.s)[static_cast<std::size_t>(Builtin::rf_while_inhibited)];
    };
    CHECK(judged(1ns, 1ns) == Condition::bad);
    CHECK(judged(0ns, 1ns) == Condition::clear);
    CHECK(judged(1ns, 0ns) == Condition::clear);
}

TEST_CASE("a rule of two readings rests where one of them isn't measured at all, whichever it is") {
    const auto rests = [](Builtin which, const Reading* Situation::*absent) {
        Judge j;
        j.drive = j.current = Judge::good(10.0);  // and no forward power
        j.heat = Judge::good(100.0);
        j.s.*absent = nullptr;
        return j.settled(which) == Condition::clear;
    };
    CHECK(rests(Builtin::drive_without_forward, &Situation::drive));
    CHECK(rests(Builtin::drive_without_forward, &Situation::forward));
    CHECK(rests(Builtin::current_without_forward, &Situation::current));
    CHECK(rests(Builtin::current_without_forward, &Situation::forward));
    CHECK(rests(Builtin::rf_without_current, &Situation::dc_power));
    CHECK(rests(Builtin::rf_without_current, &Situation::forward));
    CHECK(rests(Builtin::reflected_on_floor, &Situation::reflected));
    CHECK(rests(Builtin::reflected_on_floor, &Situation::forward));
    CHECK(rests(Builtin::heat_without_rise, &Situation::heat));
    CHECK(rests(Builtin::heat_without_rise, &Situation::heatsink));
}

TEST_CASE("once it rose, a heating is accounted for, however cold it gets in it") {
    Judge j;
    j.step(Builtin::heat_without_rise);
    j.heat = Judge::good(100.0);
    j.step(Builtin::heat_without_rise, 61s);
    j.heatsink.value = 40.0;
    CHECK(j.step(Builtin::heat_without_rise, 30s) == Condition::clear);
    j.heatsink.value = 30.0;
    CHECK(j.step(Builtin::heat_without_rise, 300s) == Condition::clear);
}

TEST_CASE("the contacts' voltage counts from a half on, after the order, and a contradiction from its full time on") {
    Supply x;
    const auto seen = [&](Builtin which, Duration later, double value, Instant taken) {
        x.s.now += later;
        x.no_rf.taken = x.s.now;
        x.open.value = value;
        x.open.taken = taken;
        x.s.contactor_line = {.known = true, .permit = x.supervision.contactor_closed()};
        return x.supervision.judge(x.s)[static_cast<std::size_t>(which)];
    };
    const auto closed = [&](Duration later, double value) {
        return seen(Builtin::contactor_stuck_closed, later, value, x.s.now + later);
    };
    CHECK(closed(20ms, 0.499) == Condition::band);
    CHECK(closed(200ms - 1ns, 0.0) == Condition::band);
    CHECK(closed(1ns, 0.0) == Condition::bad);
    CHECK_FALSE(x.supervision.contactor_closed());
    CHECK(closed(20ms, 0.5) == Condition::clear);  // seen open: now it may close
    REQUIRE(x.supervision.contactor_closed());
    const Instant told = x.s.now;
    CHECK(seen(Builtin::contactor_stuck_open, 20ms, 1.0, told) == Condition::missed);
    CHECK(seen(Builtin::contactor_stuck_open, 20ms, 1.0, told + 1ns) == Condition::band);
    CHECK(seen(Builtin::contactor_stuck_open, 1s, 0.0, told + 2ns) == Condition::clear);
    CHECK(seen(Builtin::contactor_stuck_open, 20ms, 1.0, x.s.now) == Condition::band);  // its time begins anew
    CHECK(seen(Builtin::contactor_stuck_closed, 20ms, 1.0, x.s.now) == Condition::clear);
    x.open.health = Health::unknown;
    CHECK(seen(Builtin::contactor_stuck_open, 20ms, 1.0, x.s.now) == Condition::unknown);
    CHECK(seen(Builtin::contactor_stuck_closed, 20ms, 1.0, x.s.now) == Condition::clear);
    // A new order begins its own time.
    x.open.health = Health::good;
    CHECK(seen(Builtin::contactor_stuck_open, 20ms, 1.0, x.s.now) != Condition::clear);
    x.s.line.known = false;
    seen(Builtin::contactor_stuck_open, 20ms, 1.0, x.s.now);
    REQUIRE_FALSE(x.supervision.contactor_closed());
    CHECK(seen(Builtin::contactor_stuck_closed, 1s, 0.0, x.s.now + 1s) == Condition::band);
}
