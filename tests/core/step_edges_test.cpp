// What each part of a step does at its edges.
#include <doctest/doctest.h>

#include "core/timeline.hpp"

using namespace timeline;

namespace {

constexpr std::uint16_t current = 6;

/// With the supply's current, read beside its voltage.
Plan powered() {
    Plan p = plan();
    p.samplers[2] = 2;
    p.channels.push_back(channel("current", ChannelKind::current, 2, 1, 500ms));
    p.roles.current = current;
    return p;
}

const Reading& reading(Bench& b, Derived which) {
    return b.protection.snapshot().quantities[b.the_plan.index(which)];
}

const Reading& reading(Bench& b, std::uint16_t channel) {
    return b.protection.snapshot().quantities[channel];
}

const Cause& cause_of_channel(Bench& b, std::uint16_t channel) {
    return b.protection.snapshot().causes[b.the_plan.limits.size() + channel];
}

}  // namespace

TEST_CASE("each index of a plan is refused from its first value out of range on") {
    const auto refused = [](auto spoil) {
        Plan p = plan();
        Protection{p, {}, false};  // which stands as it is
        spoil(p);
        try {
            Protection{p, {}, false};
        } catch (const std::invalid_argument&) {
            return true;
        }
        return false;
    };
    CHECK(refused([](Plan& p) { p.channels[lid].sampler = 4; }));
    CHECK(refused([](Plan& p) { p.channels[lid].slot = 1; }));
    CHECK(refused([](Plan& p) { p.channels[forward].power.reset(); }));
    CHECK(refused([](Plan& p) { p.channels[lid].power = chain(); }));
    CHECK(refused([](Plan& p) { p.channels[drive].power->temperature_channel = 6; }));
    CHECK_FALSE(refused([](Plan& p) { p.channels[drive].power->temperature_channel = 5; }));
    const auto quantities = static_cast<QuantityIndex>(plan().quantity_count());
    CHECK(refused([&](Plan& p) { p.limits[hot].watch = quantities; }));
    CHECK(refused([&](Plan& p) { p.limits[vswr_high].gate->quantity = quantities; }));
    CHECK(refused([](Plan& p) { p.roles.key_sense = 6; }));
    CHECK_FALSE(refused([](Plan& p) { p.roles.key_sense = 5; }));
    CHECK(refused([](Plan& p) { p.rf.forward_again_slot = 4; }));
    CHECK(refused([](Plan& p) {  // each of the pair has a place, and it isn't the same sampler
        p.samplers.push_back(1);
        p.channels[reflected].sampler = 4;
        p.channels[reflected].slot = 0;
    }));
    CHECK_FALSE(refused([](Plan& p) {  // without its pair forward has no second place
        p.roles.reflected.reset();
        p.rf.forward_again_slot = 4;
    }));
}

TEST_CASE("a blank snapshot has the size of each that follows, so that none is enlarged later") {
    Bench b;
    b.step();
    const Snapshot blank = Protection::blank(b.the_plan);
    const Snapshot& later = b.protection.snapshot();
    CHECK(blank.quantities.size() == later.quantities.size());
    CHECK(blank.causes.size() == later.causes.size());
    CHECK(blank.warnings.size() == later.warnings.size());
    CHECK(blank.standing.size() == later.standing.size());
    CHECK(blank.channels.size() == later.channels.size());
    CHECK(blank.memory.latched.size() == later.memory.latched.size());
}

TEST_CASE("a lost sensor inhibits through the limit that surely watches it, else by itself; never twice") {
    Plan p = plan();
    p.limits[vswr_high].gate.reset();  // watches the quantity that follows the last channel
    Bench b{p};
    REQUIRE(b.start());
    b.faults[heatsink] = Fault::absent;
    REQUIRE(b.until(false, 5s) >= 0s);
    CHECK(b.protection.snapshot().causes[hot].active);
    CHECK_FALSE(cause_of_channel(b, heatsink).active);

    Plan without = plan();
    without.limits.pop_back();  // the lid's
    Bench c{without};
    REQUIRE(c.start());
    c.faults[lid] = Fault::absent;
    REQUIRE(c.until(false, 5s) >= 0s);
    CHECK(cause_of_channel(c, lid).active);
}

TEST_CASE("it says once that it has started, and numbers its snapshots") {
    Bench b;
    const Instant begun = b.now;
    b.step();
    CHECK(b.protection.snapshot().sequence == 1);
    CHECK(b.protection.snapshot().now == begun);
    CHECK(b.count(EventKind::started) == 1);
    b.run(100ms, false);
    CHECK(b.count(EventKind::started) == 1);
    CHECK(b.protection.snapshot().sequence == 6);
}

TEST_CASE("a clock that steps back decides at the last time again") {
    Bench b;
    REQUIRE(b.start());
    const Instant last = b.protection.snapshot().now;
    b.now = last - 20ms;
    CHECK(b.step());
    CHECK(b.protection.snapshot().now == last);
}

TEST_CASE("commissioning ends at its time, not after it") {
    Plan p = plan();
    p.supervision.commissioning = 10s;
    Bench b{p};
    REQUIRE(b.start());
    const Instant begun = b.now;
    b.step({{CommandKind::commission, Origin::local, 1}});
    CHECK(b.protection.snapshot().commissioning_until == begun + 10s);
    b.now = begun + 10s - 1ns;
    b.step();
    CHECK(b.count(EventKind::commissioning_over) == 0);
    b.now = begun + 10s;
    b.step();
    CHECK(b.count(EventKind::commissioning_over) == 1);
}

TEST_CASE("the next decision is due when the first of what is pending is") {
    Plan p = plan();
    p.supervision.commissioning = 10s;
    Bench b{p};
    Instant begun = b.now;
    b.step();
    CHECK(b.decision.wake_at == begun + 1s);  // settled
    REQUIRE(b.start());
    begun = b.now;
    b.step({{CommandKind::commission, Origin::local, 1}});
    CHECK(b.decision.wake_at == begun + 10s);
    for (double c : {34.0, 38.0, 42.0, 46.0, 50.0, 54.0, 58.0, 62.0, 66.0, 69.0}) {
        b.heatsink_c = c;
        b.step();
    }
    b.heatsink_c = 71.0;
    begun = b.now;
    b.step();
    CHECK(b.decision.wake_at == begun + 1s);  // qualified
}

TEST_CASE("a scan that is shorter or longer than its sampler's slots is read as far as both go") {
    Bench b;
    b.step();
    const auto at = [&](double value) { return Sample{.value = value, .begun = b.now - 1ms, .fault = Fault::none}; };
    const std::array longer{at(27.0), at(1.0)};
    const std::array three{at(volts(50.0)), at(volts(2.0)), at(volts(1.0))};
    const std::array scans{Scan{2, longer}, Scan{1, three}, Scan{9, longer}};
    b.step_with(scans);
    CHECK(reading(b, supply).value == 27.0);
    CHECK(reading(b, drive).value == doctest::Approx(1.0));
    CHECK(reading(b, forward).health == Health::at_floor);  // its second reading is missing
}

TEST_CASE("forward read once is forward; equal readings are as old as the first, unequal ones as the larger") {
    Bench b;
    b.step();
    const auto scan = [&](Sample first, Sample again) {
        const std::array adc{first, Sample{.value = volts(0.1), .begun = b.now - 1ms, .fault = Fault::none},
                             Sample{.value = volts(1.0), .begun = b.now - 1ms, .fault = Fault::none}, again};
        const std::array scans{Scan{1, adc}};
        b.step_with(scans);
        return reading(b, forward);
    };
    const Sample missed{.fault = Fault::not_in_scan};
    const auto at = [&](double watts, Duration before) {
        return Sample{.value = volts(watts), .begun = b.now - before, .fault = Fault::none};
    };
    CHECK(scan(at(50.0, 2ms), missed).value == doctest::Approx(50.0));
    CHECK(scan(missed, at(40.0, 1ms)).value == doctest::Approx(40.0));
    const Instant taken = reading(b, forward).taken;
    CHECK(scan(missed, missed).taken == taken);
    Instant now = b.now;
    CHECK(scan(at(30.0, 2ms), at(30.0, 1ms)).taken == now - 2ms);
    now = b.now;
    CHECK(scan(at(30.0, 2ms), at(31.0, 1ms)).taken == now - 1ms);
}

TEST_CASE("forward's good and faulty readings are counted, both of each scan") {
    Bench b;
    REQUIRE(b.start());
    const ChannelCount before = b.protection.snapshot().channels[forward];
    b.step();
    CHECK(b.protection.snapshot().channels[forward].good_idle == before.good_idle + 2);
    CHECK(b.protection.snapshot().channels[forward].last_fault == Fault::none);
    b.faults[forward] = Fault::io_error;
    b.step();
    const ChannelCount& after = b.protection.snapshot().channels[forward];
    CHECK(after.good_idle == before.good_idle + 2);
    CHECK(after.faults_idle == before.faults_idle + 2);
    CHECK(after.last_fault == Fault::io_error);
}

TEST_CASE("a sensor's loss and its return are told once each, and no return from a start") {
    for (const std::uint16_t sensor : {heatsink, lid}) {
        Bench b;
        b.step();
        CHECK_FALSE(b.protection.snapshot().channels[sensor].lost);
        REQUIRE(b.start());
        CHECK(b.count(EventKind::sensor_lost) == 0);
        CHECK(b.count(EventKind::sensor_back) == 0);
        b.faults[sensor] = Fault::absent;
        b.run(4s, false);
        CHECK(b.protection.snapshot().channels[sensor].lost);
        CHECK(b.count(EventKind::sensor_lost) == 1);
        CHECK(b.last(EventKind::sensor_lost)->source == b.the_plan.limits.size() + sensor);
        CHECK(b.count(EventKind::sensor_back) == 0);
        b.faults[sensor] = Fault::none;
        b.run(100ms, false);
        CHECK(b.count(EventKind::sensor_back) == 1);
        CHECK(b.last(EventKind::sensor_back)->source == b.the_plan.limits.size() + sensor);
    }
}

TEST_CASE("what the supply delivers is worked out from each scan of it, and judged") {
    Plan p = powered();
    p.limits.push_back(limit("dc", p.index(Derived::dc_power), 200.0, 150.0, 0s, 1s, Rearm::automatic));
    Bench b{p};
    const auto step = [&](double volt, double ampere) {
        const std::array psu{Sample{.value = volt, .begun = b.now - 1ms, .fault = Fault::none},
                             Sample{.value = ampere, .begun = b.now - 1ms, .fault = Fault::none}};
        const std::array scans{Scan{2, psu}};
        b.step_with(scans);
    };
    b.step();
    step(28.0, 5.0);
    CHECK(reading(b, Derived::dc_power).value == doctest::Approx(140.0));
    CHECK(b.protection.snapshot().causes[7].condition == Condition::clear);
    step(25.0, 8.0);
    CHECK(reading(b, Derived::dc_power).value == doctest::Approx(200.0));
    CHECK(b.protection.snapshot().causes[7].condition == Condition::bad);
}

TEST_CASE("voltage and current of two samplers: each scan of either renews what the supply delivers") {
    Plan p = powered();
    p.samplers[2] = 1;
    p.samplers.push_back(1);
    p.channels[current].sampler = 4;
    p.channels[current].slot = 0;
    Bench b{p};
    b.step();
    const auto dc = [&](std::uint16_t sampler, double value) {
        const std::array one{Sample{.value = value, .begun = b.now - 1ms, .fault = Fault::none}};
        const std::array scans{Scan{sampler, one}};
        b.step_with(scans);
        return reading(b, Derived::dc_power).value;
    };
    dc(4, 5.0);
    CHECK(dc(2, 28.0) == doctest::Approx(140.0));
    CHECK(dc(2, 26.0) == doctest::Approx(130.0));
    CHECK(dc(4, 4.0) == doctest::Approx(104.0));
}

TEST_CASE("reflected equal to forward exceeds it") {
    Bench b;
    REQUIRE(b.start());
    b.key(50.0, 1.0);
    REQUIRE(b.until(false, 1s) >= 0s);
    CHECK(b.protection.snapshot().causes[source_of(b.the_plan, Builtin::reflected_exceeds_forward)].active);
}

TEST_CASE("every quantity is worked out that the plan has all for, and none else") {
    Plan p = powered();
    p.rf.feeder_loss_db = 1.0;
    p.rf.small_signal_gain_db = 18.0;
    p.rf.circulator_load_time = 10s;
    for (const bool whole : {true, false}) {
        CAPTURE(whole);
        if (!whole) p.roles.current.reset();
        Bench b{p};
        b.key(100.0, 0.2);
        for (int i = 0; i < 100; ++i) {
            b.step();
            const std::array psu{Sample{.value = 28.0, .begun = b.now - 1ms, .fault = Fault::none},
                                 Sample{.value = 8.0, .begun = b.now - 1ms, .fault = Fault::none}};
            const std::array scans{Scan{2, psu}};
            b.step_with(scans);
        }
        std::size_t missing = 0;
        for (std::size_t i = 0; i < derived_count; ++i) {
            const Reading& r = reading(b, static_cast<Derived>(i));
            const bool can = can_be_known(p, p.index(static_cast<Derived>(i)));
            missing += can ? 0 : 1;
            CAPTURE(describe(p, p.index(static_cast<Derived>(i))).id);
            CHECK((r.health != Health::unknown) == can);
        }
        CHECK(missing == (whole ? 1 : 8));  // there is no ambient sensor
    }
}

TEST_CASE("the mean in a circulator's load is judged when it is worked out") {
    Plan p = plan();
    p.rf.circulator_load_time = 1s;
    p.limits[reflected_high].trip = 100.0;
    p.limits[vswr_high].trip = 100.0;
    p.limits.push_back(limit("load", p.index(Derived::circulator_load), 10.0, 5.0, 0s, 1s, Rearm::automatic));
    p.limits.back().gate = Gate{forward, 6.0, Direction::above};  // which is judged with each scan
    Bench b{p};
    REQUIRE(b.start());
    b.key(100.0, 0.5);  // 25 W reflected: 1 - exp(-t/1 s) of it is 10 W after 0.51 s, seen at the next full second
    const Duration tripped = b.until(false, 5s);
    CHECK(tripped == 980ms);
    REQUIRE(b.last(EventKind::tripped) != nullptr);
    CHECK(b.last(EventKind::tripped)->source == 7);
}

TEST_CASE("each channel that no scan has any more inhibits once it is older than allowed") {
    for (const std::uint16_t silent : {heatsink, forward, reflected, drive, supply, lid}) {
        CAPTURE(silent);
        Bench b;
        REQUIRE(b.start());
        const Duration age = b.the_plan.channels[silent].allowed_age;
        b.faults[silent] = Fault::not_in_scan;
        CHECK(b.run(age - 20ms, true));
        CHECK(b.until(false, 60ms) >= 0ms);
        CHECK(reading(b, silent).fault == Fault::stale);
    }
}

TEST_CASE("a reflected reading on its floor while ratios are measurable is judged as such") {
    Plan p = plan();
    p.plausibility.best_return_loss_db = 30.0;
    Bench b{p};
    REQUIRE(b.start());
    b.key(100.0, 0.0);  // 1 mW at the floor: 50 dB
    REQUIRE(b.until(false, 10s) >= 0s);
    CHECK(b.last(EventKind::tripped)->source == source_of(p, Builtin::reflected_on_floor));
    Bench weak{p};
    REQUIRE(weak.start());
    weak.key(5.0, 0.0);  // below the least forward for ratios
    CHECK(weak.run(10s, true));
}

TEST_CASE("of a scan that the machine slept through nothing counts") {
    Bench b;
    REQUIRE(b.start());
    b.slept = 1h;
    b.step();
    const Instant awake = b.now - 20ms;
    const std::array adc{Sample{.value = volts(50.0), .begun = awake, .fault = Fault::none},
                         Sample{.value = volts(1.0), .begun = awake + 1ns, .fault = Fault::none},
                         Sample{.value = volts(1.0), .begun = awake + 2ns, .fault = Fault::none},
                         Sample{.value = volts(50.0), .begun = awake + 3ns, .fault = Fault::none}};
    std::array later = adc;
    later[0].begun = awake + 1ns;
    const std::array straddles{Scan{1, adc}};
    b.step_with(straddles);
    CHECK(reading(b, drive).health == Health::unknown);
    const std::array whole{Scan{1, later}};
    b.step_with(whole);
    CHECK(reading(b, drive).health == Health::good);
}

TEST_CASE("a limit that goes out of force without news stays as it was last seen") {
    Plan p = plan();
    p.supervision.commissioning = 1s;
    LimitPlan cap = limit("cap", supply, 20.0, 19.0, 0s, 1s, Rearm::automatic);
    cap.provisional = true;
    p.limits.push_back(cap);
    Bench b{p};
    REQUIRE(b.start());
    const Instant begun = b.now;
    b.step({{CommandKind::commission, Origin::local, 1}});
    REQUIRE(b.until(false, 1s) >= 0s);
    CHECK(b.protection.snapshot().causes[7].condition == Condition::bad);
    b.now = begun + 1s;
    b.step_with({});
    CHECK(b.protection.snapshot().causes[7].condition == Condition::bad);
    b.step();
    CHECK(b.protection.snapshot().causes[7].condition == Condition::clear);
}

TEST_CASE("a replay from the step that began a commissioning goes on bit for bit") {
    Plan p = plan();
    p.supervision.commissioning = 10s;
    LimitPlan cap = limit("cap", supply, 29.0, 28.5, 0s, 1s, Rearm::automatic);
    cap.provisional = true;
    p.limits.push_back(cap);
    Bench b{p};
    REQUIRE(b.start());
    b.step({{CommandKind::commission, Origin::local, 1}});
    Bench replayed{p};
    REQUIRE(replayed.protection.take_state(b.protection.state()));
    replayed.now = b.now;
    b.step_with({});
    replayed.step_with({});
    CHECK(replayed.protection.state() == b.protection.state());
}

TEST_CASE("what is derived lives as long as its sensor may, and then has that sensor's fault") {
    struct Row {
        std::uint16_t source;
        Derived derived;
        Fault fault, told;
    };
    for (const Row& row : {Row{forward, Derived::vswr, Fault::io_error, Fault::io_error},
                           Row{forward, Derived::net_power, Fault::not_in_scan, Fault::stale},
                           Row{supply, Derived::dc_power, Fault::absent, Fault::absent},
                           Row{supply, Derived::dc_power, Fault::not_in_scan, Fault::stale}}) {
        CAPTURE(row.told);
        Bench b{powered()};
        b.key(100.0, 0.2);
        b.run(100ms, false);
        const auto supply_scan = [&](Instant begun) {
            const std::array psu{Sample{.value = 28.0, .begun = begun, .fault = row.fault},
                                 Sample{.value = 8.0, .begun = begun, .fault = row.fault}};
            const std::array scans{Scan{2, psu}};
            b.step_with(scans);
        };
        const std::array psu{Sample{.value = 28.0, .begun = b.now, .fault = Fault::none},
                             Sample{.value = 8.0, .begun = b.now, .fault = Fault::none}};
        const std::array scans{Scan{2, psu}};
        b.step_with(scans);
        b.faults[row.source] = row.fault;
        const Reading before = reading(b, row.derived);
        REQUIRE(before.health == Health::good);
        const Instant end = before.taken + b.the_plan.channels[row.source].allowed_age;
        for (const bool over : {false, true}) {
            b.now = over ? end + 1ns : end;
            if (row.source == supply)
                supply_scan(b.now);
            else
                b.step();
            CHECK((reading(b, row.derived).health == Health::unknown) == over);
            CHECK(reading(b, row.derived).taken == before.taken);
        }
        CHECK(reading(b, row.derived).fault == row.told);
    }
}

TEST_CASE("what is worked out each second stays while its sensors are silent") {
    Bench b;
    b.step();
    REQUIRE(reading(b, Derived::back_off).health != Health::unknown);  // at once
    b.run(1500ms, true);
    b.now += 600ms;
    b.step_with({});
    CHECK(reading(b, forward).health == Health::unknown);
    CHECK(reading(b, Derived::back_off).health != Health::unknown);
}

TEST_CASE("a frozen channel is told as such") {
    Plan p = plan();
    p.channels[supply].frozen_after = 1s;
    Bench b{p};
    b.run(900ms, false);
    CHECK_FALSE(b.protection.snapshot().channels[supply].frozen);
    b.run(300ms, true);
    CHECK(b.protection.snapshot().channels[supply].frozen);
}

TEST_CASE("drive at the level below which it is absent is drive") {
    Bench probe;
    probe.drive_w = 0.06;
    probe.step();
    Plan p = plan();
    p.rf.drive_absent_w = reading(probe, drive).value;
    Bench b{p};
    b.drive_w = 0.06;
    CHECK(b.run(3s, false));
    CHECK(b.protection.snapshot().drive_awaited);
    b.drive_w = 0.0599;
    CHECK(b.until(true, 100ms) >= 0ms);
    CHECK_FALSE(b.protection.snapshot().drive_awaited);
    b.drive_w = 0.06;
    CHECK(b.step());
    CHECK_FALSE(b.protection.snapshot().drive_awaited);  // it has its permit
}

TEST_CASE("a limit that comes into force is unknown until a reading has been judged under it") {
    Plan p = plan();
    p.supervision.commissioning = 10s;
    LimitPlan cap = limit("cap", supply, 40.0, 39.0, 0s, 1s, Rearm::automatic);
    cap.provisional = true;
    p.limits.insert(p.limits.begin(), cap);
    Bench b{p};
    REQUIRE(b.start());
    b.step({{CommandKind::commission, Origin::local, 1}});
    CHECK(b.protection.snapshot().causes[0].condition == Condition::clear);
    b.step_with({});
    CHECK(b.protection.snapshot().causes[0].condition == Condition::unknown);
}

TEST_CASE("a warning stands from its level on, and until a quarter of the way from trip to it is gone back") {
    const auto warned = [](Bench& b, SourceIndex limit) { return b.protection.snapshot().warnings[limit] != 0; };
    Plan p = plan();
    p.limits[supply_low].warn = 25.0;  // trips at 24 V
    Bench b{p};
    REQUIRE(b.start());
    for (const auto& [volt, expected] : {std::pair{25.01, false}, {25.0, true}, {25.25, true}, {25.26, false}}) {
        b.supply_v = volt;
        b.step();
        CHECK(warned(b, supply_low) == expected);
    }
    for (double c : {34.0, 38.0, 42.0, 46.0, 50.0, 54.0, 58.0, 62.0}) {
        b.heatsink_c = c;
        b.step();
    }
    for (const auto& [celsius, expected] : {std::pair{64.99, false}, {65.0, true}, {63.75, true}, {63.74, false}}) {
        b.heatsink_c = celsius;
        b.step();
        CHECK(warned(b, hot) == expected);
    }
    CHECK(b.count(EventKind::warning) == 2);
    CHECK(b.count(EventKind::warning_over) == 2);
}

TEST_CASE("a warning is over when its limit rests") {
    Plan p = plan();
    p.limits[supply_low].warn = 25.0;
    p.limits[supply_low].gate = Gate{forward, 6.0, Direction::above};
    Bench b{p};
    b.supply_v = 24.5;
    REQUIRE(b.start());
    CHECK(b.count(EventKind::warning) == 0);
    b.key(50.0, 0.1);
    b.run(100ms, true);
    CHECK(b.protection.snapshot().warnings[supply_low] == 1);
    b.unkey();
    b.run(100ms, true);
    CHECK(b.protection.snapshot().warnings[supply_low] == 0);
    CHECK(b.count(EventKind::warning_over) == 1);
}

TEST_CASE("a lost sensor that isn't required, and that no limit watches, takes nothing away") {
    Plan p = plan();
    p.limits.pop_back();  // the lid's
    p.channels[lid].required = false;
    Bench b{p};
    REQUIRE(b.start());
    b.faults[lid] = Fault::absent;
    CHECK(b.run(3s, true));
}

TEST_CASE("the contactor stays open behind each alarm of the line until its reset") {
    for (const Builtin alarm : {Builtin::line_mismatch, Builtin::enable_mismatch, Builtin::rf_while_inhibited}) {
        const Plan p = with_contactor();
        Memory memory;
        memory.latched.resize(source_count(p));
        memory.latched[source_of(p, alarm)] = true;
        Bench b{p, memory};
        b.run(2s, false);
        CHECK_FALSE(b.protection.snapshot().contactor_closed);
        b.step({{CommandKind::reset, Origin::local, 1}});
        b.run(100ms, false);
        CHECK(b.protection.snapshot().contactor_closed);
    }
}

TEST_CASE("the end of each transmission is warned of at its time, once; a transmission ends after the hang time") {
    Plan p = plan();
    p.supervision.longest_transmission = 5s;
    p.supervision.transmission_warning = 1s;
    Bench b{p};
    REQUIRE(b.start());
    for (std::size_t transmission = 1; transmission <= 2; ++transmission) {
        b.key(50.0, 0.1);
        const Instant begun = b.now;
        b.step();
        REQUIRE(b.protection.snapshot().transmitting_since == begun);
        b.now = begun + 4s - 1ns;
        b.step();
        CHECK(b.count(EventKind::transmission_ending) == transmission - 1);
        b.now = begun + 4s;
        b.step();
        CHECK(b.count(EventKind::transmission_ending) == transmission);
        b.step();
        CHECK(b.count(EventKind::transmission_ending) == transmission);
        const Instant seen = b.now - 20ms;
        b.unkey();
        b.now = seen + 1s - 1ns;
        b.step();
        CHECK(b.count(EventKind::rf_off) == transmission - 1);
        b.now = seen + 1s;
        b.step();
        CHECK(b.count(EventKind::rf_off) == transmission);
        CHECK(b.count(EventKind::rf_on) == transmission);
    }
}

TEST_CASE("events carry the reading, and the level, that they are about") {
    for (const bool unclean : {false, true}) {
        Bench b{plan(), {}, unclean};
        b.step();
        CHECK(b.last(EventKind::started)->reading.value == (unclean ? 1.0 : 0.0));
    }
    Plan p = plan();
    p.limits[hot].warn.reset();
    p.limits[supply_low].warn = 25.0;
    Bench b{p};
    REQUIRE(b.start());
    b.key(50.0, 0.1);
    b.step();
    CHECK(b.last(EventKind::rf_on)->reading.value == doctest::Approx(50.0));
    b.unkey();
    b.run(2s, true);
    CHECK(b.last(EventKind::rf_off)->reading.value == doctest::Approx(0.001));
    b.supply_v = 25.0;
    b.step();
    CHECK(b.last(EventKind::warning)->reading.value == 25.0);
    CHECK(b.last(EventKind::warning)->level == 25.0);
    b.supply_v = 23.0;
    REQUIRE(b.until(false, 1s) >= 0s);
    CHECK(b.last(EventKind::tripped)->reading.value == 23.0);
    CHECK(b.last(EventKind::tripped)->level == 24.0);
    CHECK_FALSE(b.last(EventKind::tripped)->forced);
    b.supply_v = 28.0;
    b.step();
    CHECK(b.last(EventKind::warning_over)->reading.value == 28.0);
    CHECK(b.last(EventKind::warning_over)->level == 25.0);
    REQUIRE(b.until(true, 3s) >= 0s);
    CHECK(b.last(EventKind::cleared)->level == 24.0);
    b.faults[lid] = Fault::garbled;
    b.run(1s, false);
    CHECK(b.last(EventKind::sensor_lost)->reading.fault == Fault::garbled);
}

TEST_CASE("a snapshot says which limits watch, since when all is settled, and how many events had no room") {
    Plan p = plan();
    p.limits[hot].gate = Gate{lid, 0.5, Direction::above};
    Bench b{p};
    const Instant begun = b.now;
    b.step();  // the heatsink's scan comes before its gate's
    b.step();
    CHECK(b.protection.snapshot().settled_since == begun + 20ms);
    REQUIRE(b.start());
    CHECK(b.protection.snapshot().standing[hot] == Standing::watches);
    CHECK(b.protection.snapshot().standing[vswr_high] == Standing::gate_closed);
    b.key(50.0, 0.1);
    b.lid_closed = 0.0;
    b.step();
    CHECK(b.protection.snapshot().standing[hot] == Standing::gate_closed);
    CHECK(b.protection.snapshot().standing[vswr_high] == Standing::watches);
    CHECK(b.protection.snapshot().events_dropped == 0);
    b.step(std::vector<Command>(1000, {CommandKind::commission, Origin::remote, 1}));
    CHECK(b.protection.snapshot().events_dropped > 0);
}

TEST_CASE("a detector's temperature counts while its thermometer is believed") {
    Plan p = plan();
    p.channels[drive].power->temperature_channel = heatsink;
    p.channels[drive].power->temperature_db_per_k = 0.1;
    p.channels[drive].power->temperature_reference_c = 20.0;
    const auto watts = [&](bool known) {
        Bench b{p};
        b.drive_w = 1.0;
        if (!known) b.faults[heatsink] = Fault::absent;
        b.step();
        b.step();
        return reading(b, drive).value;
    };
    // At 30 degC the detector lacks 1 dB.
    CHECK(watts(true) / watts(false) == doctest::Approx(1.2589).epsilon(0.001));
}
