#include "plan/plan.hpp"

#include <doctest/doctest.h>

#include <array>
#include <set>

#include "core/timeline.hpp"

using namespace timeline;

TEST_CASE("every quantity has an id of its own, fit for a topic, and a name") {
    const Plan p = plan();
    std::set<std::string_view> ids;
    for (std::size_t i = 0; i < p.quantity_count(); ++i) {
        const QuantityInfo info = describe(p, static_cast<QuantityIndex>(i));
        CAPTURE(i);
        CHECK_FALSE(info.id.empty());
        CHECK_FALSE(info.name.empty());
        CHECK(info.id.find_first_not_of("abcdefghijklmnopqrstuvwxyz0123456789-") == std::string_view::npos);
        CHECK(ids.insert(info.id).second);
    }
    CHECK(describe(p, static_cast<QuantityIndex>(p.quantity_count())).id.empty());
    CHECK(describe(p, heatsink).unit == Unit::celsius);
    CHECK(describe(p, p.index(Derived::vswr)).id == "vswr");
}

TEST_CASE("kinds have their units") {
    CHECK(unit_of(ChannelKind::power) == Unit::watt);
    CHECK(unit_of(ChannelKind::speed) == Unit::rpm);
    CHECK(unit_of(ChannelKind::contact) == Unit::none);
}

// What limits rest on: an estimate, or what endangers nothing, may warn only; and what is divided by forward or
// reflected power, or by both, says nothing below the minimum forward power.
TEST_CASE("which of what is worked out may trip, which rests without RF, and which comes once a second") {
    const std::set<std::string_view> may_trip{"vswr",       "reflection",   "return-loss",   "mismatch-loss",
                                              "net-power",  "antenna-vswr", "antenna-power", "gain",
                                              "efficiency", "dc-power",     "heat",          "circulator-load"};
    const std::set<std::string_view> with_rf{"vswr",        "reflection",   "return-loss",   "mismatch-loss",
                                             "net-power",   "antenna-vswr", "antenna-power", "gain",
                                             "compression", "efficiency"};
    const std::set<std::string_view> each_second{"circulator-load", "thermal-resistance",   "settling-temperature",
                                                 "time-to-limit",   "forecast-temperature", "back-off",
                                                 "ambient-trend"};
    for (std::size_t i = 0; i < derived_count; ++i) {
        const DerivedRule& rule = rule_of(static_cast<Derived>(i));
        CAPTURE(rule.id);
        CHECK(rule.derived == static_cast<Derived>(i));
        CHECK(rule.may_trip == may_trip.contains(rule.id));
        CHECK(rule.with_rf == with_rf.contains(rule.id));
        CHECK(rule.renewed() == (each_second.contains(rule.id) ? Duration{1s} : Duration{}));
    }
}

TEST_CASE("what can be known: all that it needs is there, and an upper limit where it is measured against one") {
    Plan p = plan();
    const auto known = [&](Derived derived) { return can_be_known(p, p.index(derived)); };
    CHECK(can_be_known(p, heatsink));
    CHECK(can_be_known(p, lid));
    CHECK_FALSE(can_be_known(p, static_cast<QuantityIndex>(p.quantity_count())));
    CHECK(known(Derived::vswr));
    CHECK(known(Derived::gain));
    CHECK_FALSE(known(Derived::dc_power));
    CHECK_FALSE(known(Derived::antenna_vswr));
    p.rf.feeder_loss_db = 0.5;
    CHECK(known(Derived::antenna_vswr));
    p.roles.forward.reset();  // the first of all inputs
    CHECK_FALSE(known(Derived::vswr));
    p.roles.forward = forward;
    p.roles.reflected.reset();
    CHECK_FALSE(known(Derived::vswr));
    p.roles.reflected = reflected;

    // A back-off is measured against an upper limit of forward, heatsink or compression, whether it trips or only
    // warns.
    const auto with_limit = [&](QuantityIndex watch, Direction direction, bool trips, bool warns) {
        p.limits = {limit("one", watch, 50.0, 0.0, 0s, 0s, Rearm::automatic)};
        p.limits[0].direction = direction;
        p.limits[0].trips = trips;
        if (warns) p.limits[0].warn = 40.0;
        return std::array{has(p, Input::level), has(p, Input::heatsink_trip)};
    };
    using Level = std::array<bool, 2>;  // and whether it is the heatsink's trip
    for (const QuantityIndex watch : {QuantityIndex{forward}, p.index(Derived::compression)}) {
        CHECK(with_limit(watch, Direction::above, true, false) == Level{true, false});
        CHECK(with_limit(watch, Direction::above, false, true) == Level{true, false});
        CHECK(with_limit(watch, Direction::above, false, false) == Level{false, false});
        CHECK(with_limit(watch, Direction::below, true, true) == Level{false, false});
    }
    CHECK(with_limit(heatsink, Direction::above, true, false) == Level{true, true});
    CHECK(with_limit(heatsink, Direction::above, false, true) == Level{true, false});
    CHECK(with_limit(heatsink, Direction::above, false, false) == Level{false, false});
    CHECK(with_limit(heatsink, Direction::below, true, true) == Level{false, false});
    CHECK(with_limit(drive, Direction::above, true, true) == Level{false, false});
}

TEST_CASE("a supply, a current and a fan: the first of each, every further one, and none else") {
    Roles roles;
    CHECK_FALSE(roles.is_supply(0));
    CHECK_FALSE(roles.is_current(0));
    CHECK_FALSE(roles.is_fan(0));
    roles.supply = 1;
    roles.more_supplies = {2, 3};
    roles.current = 4;
    roles.more_feeds = {{.current = 5, .supply = 2}, {.current = 6, .supply = 3}};
    roles.fan = 7;
    roles.more_fans = {8, 9};
    for (QuantityIndex i = 0; i < 11; ++i) {
        CAPTURE(i);
        CHECK(roles.is_supply(i) == (i >= 1 && i <= 3));
        CHECK(roles.is_current(i) == (i >= 4 && i <= 6));
        CHECK(roles.is_fan(i) == (i >= 7 && i <= 9));
    }
}

TEST_CASE("a sensor's stage, and the roles beside it: the amplifier's where it has none, or one that isn't there") {
    Plan p = plan();
    p.stages = {{.id = "driver", .name = "Driver", .roles = {}, .nominal_supply_v = {}}};
    p.channels[heatsink].stage = 0;
    p.channels[supply].stage = 1;
    CHECK(stage_of(p, heatsink) == &p.stages[0]);
    CHECK(&roles_around(p, heatsink) == &p.stages[0].roles);
    for (const QuantityIndex index : {QuantityIndex{supply}, QuantityIndex{forward}, p.index(Derived::vswr)}) {
        CHECK(stage_of(p, index) == nullptr);
        CHECK(&roles_around(p, index) == &p.roles);
    }
}
