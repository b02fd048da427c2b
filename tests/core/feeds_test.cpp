// An amplifier with two supplies and two fans: what is worked out takes all of them, or is unknown.
#include <doctest/doctest.h>

#include <array>
#include <chrono>
#include <cmath>
#include <optional>

#include "core/protection.hpp"
#include "measure/measurement.hpp"
#include "sample_plan.hpp"

using namespace dekeyd::core;
using namespace std::chrono_literals;

namespace {

constexpr std::uint16_t heatsink = 0, forward = 1, supply = 2, current = 3, supply_2 = 4, current_2 = 5, fan = 6,
                        fan_2 = 7;

Plan one_pair() {
    using dekeyd::test::sample_channel;
    Plan plan;
    plan.samplers = {8};
    plan.channels = {sample_channel("heatsink", "Heatsink", ChannelKind::temperature, 0),
                     sample_channel("forward", "Forward power", ChannelKind::power, 1),
                     sample_channel("supply", "Supply", ChannelKind::voltage, 2),
                     sample_channel("current", "Current", ChannelKind::current, 3),
                     sample_channel("supply-2", "Supply 2", ChannelKind::voltage, 4),
                     sample_channel("current-2", "Current 2", ChannelKind::current, 5),
                     sample_channel("fan", "Fan", ChannelKind::speed, 6),
                     sample_channel("fan-2", "Fan 2", ChannelKind::speed, 7)};
    for (const std::uint16_t one : {fan, fan_2}) plan.channels[one].valid_high = 10000.0;
    plan.roles.heatsink = heatsink;
    plan.roles.forward = forward;
    plan.roles.supply = supply;
    plan.roles.current = current;
    plan.roles.fan = fan;
    plan.rf.minimum_forward_w = 6.0;
    plan.rf.rf_present_w = 1.0;
    plan.heat.full_fan_rpm = 2000.0;
    return plan;
}

Plan two_pairs() {
    Plan plan = one_pair();
    plan.roles.more_supplies = {supply_2};
    plan.roles.more_feeds = {{current_2, supply_2}};
    plan.roles.more_fans = {fan_2};
    return plan;
}

struct Station {
    explicit Station(Plan of) : plan{std::move(of)} {}

    Plan plan;
    Measurement measurement{plan};
    std::array<double, 8> values{40.0, 50.0, 28.0, 3.0, 12.0, 2.0, 1900.0, 1800.0};
    std::array<Fault, 8> faults{};

    void scan(Duration time) {
        std::array<Sample, 8> samples;
        for (std::size_t i = 0; i < samples.size(); ++i)
            samples[i] = {.value = values[i], .begun = Instant{time}, .fault = faults[i]};
        measurement.absorb({.sampler = 0, .samples = samples}, Instant{time}, false);
    }
    [[nodiscard]] const Reading& of(Derived derived) const { return measurement.quantities()[plan.index(derived)]; }
};

}  // namespace

TEST_CASE("DC power, heat and efficiency take each supply with its own current") {
    Station one{one_pair()};
    one.scan(1s);
    CHECK(one.of(Derived::dc_power).value == 84.0);  // 28 V * 3 A
    Station two{two_pairs()};
    two.scan(1s);
    CHECK(two.of(Derived::dc_power).value == 108.0);  // and 12 V * 2 A
    CHECK(two.of(Derived::heat).value == doctest::Approx(58.0));
    CHECK(two.of(Derived::efficiency).value == doctest::Approx(100.0 * 50.0 / 108.0));
    CHECK(two.measurement.all_currents().value == 5.0);
    // Two shunts behind one supply.
    Plan shunts = one_pair();
    shunts.roles.more_feeds = {{current_2, supply}};
    Station both{shunts};
    both.scan(1s);
    CHECK(both.of(Derived::dc_power).value == 140.0);  // 28 V * (3 A + 2 A)
}

TEST_CASE("the sum's interval is the sum of both, and it is as old as its oldest reading") {
    const Reading a{
        .value = 3.0, .low = 2.5, .high = 3.5, .health = Health::good, .fault = Fault::none, .taken = Instant{7s}};
    const Reading b{
        .value = 10.0, .low = 9.0, .high = 12.0, .health = Health::good, .fault = Fault::none, .taken = Instant{5s}};
    const Reading all = sum(a, b);
    CHECK(all.value == 13.0);
    CHECK(all.low == 11.5);
    CHECK(all.high == 15.5);
    CHECK(all.taken == Instant{5s});
    CHECK(all.health == Health::good);
}

TEST_CASE("one that is unknown leaves the sum unknown, and never what happens to be known") {
    for (const std::uint16_t broken : {supply, current, supply_2, current_2}) {
        CAPTURE(broken);
        Station station{two_pairs()};
        station.scan(1s);
        station.faults[broken] = Fault::io_error;
        // The others go on: the reading is borne for its 5 s, and then there is no sum.
        for (Duration time = 2s; time <= 5s; time += 1s) {
            station.scan(time);
            station.measurement.grow_old(Instant{time});
            CHECK(station.of(Derived::dc_power).measured());
        }
        station.scan(7s);
        station.measurement.grow_old(Instant{7s});
        for (const Derived derived : {Derived::dc_power, Derived::heat, Derived::efficiency})
            CHECK(station.of(derived).health == Health::unknown);
        const bool of_current = broken == current || broken == current_2;
        CHECK((station.measurement.all_currents().health == Health::unknown) == of_current);
    }
}

TEST_CASE("the sum is lost with a member that is lost, before any other's news") {
    Station station{two_pairs()};
    station.plan.channels[current_2].allowed_age = 1s;
    station.plan.channels[supply].allowed_age = 1min;
    station.scan(1s);
    station.measurement.grow_old(Instant{2s});
    CHECK(station.of(Derived::dc_power).measured());
    station.measurement.grow_old(Instant{2s} + 1ms);
    CHECK(station.of(Derived::dc_power).health == Health::unknown);
    CHECK(station.of(Derived::dc_power).fault == Fault::stale);
}

TEST_CASE("a slow second supply doesn't make the sum stale while its reading is good") {
    Plan plan = two_pairs();
    plan.channels[supply].allowed_age = 1s;
    plan.channels[supply_2].allowed_age = 10s;
    plan.channels[current_2].allowed_age = 10s;
    Station station{plan};
    station.scan(1s);
    station.faults[supply_2] = station.faults[current_2] = Fault::not_in_scan;
    station.scan(4s);
    station.measurement.grow_old(Instant{4s});
    CHECK(station.of(Derived::dc_power).value == 108.0);
    CHECK(station.of(Derived::dc_power).taken == Instant{1s});
    station.scan(11s);
    station.measurement.grow_old(Instant{11s} + 1ms);
    CHECK(station.of(Derived::dc_power).health == Health::unknown);
}

TEST_CASE("the second pair's news alone is news of the sum") {
    Station station{two_pairs()};
    station.scan(1s);
    station.measurement.no_news();
    for (const std::uint16_t other : {supply, current, supply_2}) station.faults[other] = Fault::not_in_scan;
    station.values[current_2] = 4.0;
    station.scan(2s);
    CHECK(station.measurement.has_news(station.plan.index(Derived::dc_power)));
    CHECK(station.of(Derived::dc_power).value == 132.0);  // 84 W + 12 V * 4 A
}

TEST_CASE("the slowest fan counts, and one that isn't known before it") {
    const auto slowest = [&](double first, double second, Fault of_first = Fault::none, Fault of_second = Fault::none) {
        Station fresh{two_pairs()};
        fresh.values[fan] = first;
        fresh.values[fan_2] = second;
        fresh.faults[fan] = of_first;
        fresh.faults[fan_2] = of_second;
        fresh.scan(1s);
        const Reading* const reading = fresh.measurement.slowest_fan();
        return reading->measured() ? std::optional{reading->value} : std::nullopt;
    };
    CHECK(slowest(1900.0, 1800.0) == 1800.0);
    CHECK(slowest(300.0, 1800.0) == 300.0);
    CHECK(slowest(1900.0, 0.0) == 0.0);
    CHECK_FALSE(slowest(1900.0, 0.0, Fault::io_error));
    CHECK_FALSE(slowest(100.0, 1800.0, Fault::none, Fault::io_error));
    CHECK(Station{one_pair()}.measurement.slowest_fan() != nullptr);
    Plan none = one_pair();
    none.roles.fan.reset();
    CHECK(Station{none}.measurement.slowest_fan() == nullptr);
}

TEST_CASE("the forecast learns for the slowest fan: what was learned with both turning isn't taken for a stalled one") {
    Station station{two_pairs()};
    double sink_c = 25.0;
    const auto pass = [&](int from_s, int to_s) {
        for (int second = from_s; second < to_s; ++second) {
            const bool rf = second / 300 % 2 == 0;
            station.values[forward] = rf ? 50.0 : 0.0001;
            station.values[current] = rf ? 3.0 : 0.5;
            const double heat_w = 28.0 * station.values[current] + 24.0 - (rf ? 50.0 : 0.0);
            sink_c += (heat_w - (sink_c - 25.0) / 0.4) / 600.0;
            station.values[heatsink] = sink_c;
            station.scan(std::chrono::seconds{second});
            (void)station.measurement.forecast(Instant{std::chrono::seconds{second}}, std::nullopt, Moment{});
        }
    };
    pass(1, 3000);
    REQUIRE(station.of(Derived::thermal_resistance).health == Health::good);
    station.values[fan_2] = 100.0;
    pass(3000, 3010);
    CHECK(station.of(Derived::thermal_resistance).health != Health::good);
}

TEST_CASE("current without forward power is the current of all supplies") {
    // Each of the two stays below the 1.5 A that flow only with RF.
    const auto active = [](const Plan& of, double second_a) {
        Plan plan = of;
        plan.plausibility.current_with_rf_a = 1.5;
        plan.interlock.settling = 1s;
        plan.interlock.guard_deadline = 1s;
        Protection protection{plan, {}, false};
        for (Duration time = 20ms; time <= 5s; time += 20ms) {
            const bool quiet = time <= 3s;
            const std::array values{40.0,   0.0001, 28.0, quiet ? 0.2 : 1.0, 12.0, quiet ? 0.2 : second_a,
                                    1900.0, 1800.0};
            std::array<Sample, 8> samples;
            for (std::size_t i = 0; i < samples.size(); ++i)
                samples[i] = {.value = values[i], .begun = Instant{time}, .fault = Fault::none};
            const std::array scans{Scan{.sampler = 0, .samples = samples}};
            protection.step({.now = Instant{time},
                             .scans = scans,
                             .commands = {},
                             .line = {.known = true, .permit = protection.snapshot().permit}});
            if (time == 3s) REQUIRE(protection.snapshot().permit);
        }
        return protection.snapshot().causes[source_of(plan, Builtin::current_without_forward)].active;
    };
    CHECK(active(two_pairs(), 1.0));
    CHECK_FALSE(active(two_pairs(), 0.4));
    CHECK_FALSE(active(one_pair(), 1.0));
}

TEST_CASE("a plan whose further parts are out of range is no plan") {
    const auto refused = [](auto spoil) {
        Plan plan = two_pairs();
        spoil(plan);
        CHECK_THROWS_AS(Protection(plan, {}, false), std::invalid_argument);
    };
    (void)Protection{two_pairs(), {}, false};
    refused([](Plan& plan) { plan.roles.more_feeds[0].current = 8; });
    refused([](Plan& plan) { plan.roles.more_feeds[0].supply = 8; });
    refused([](Plan& plan) { plan.roles.more_feeds[0].supply.reset(); });
    refused([](Plan& plan) { plan.roles.supply.reset(); });
    refused([](Plan& plan) { plan.roles.current.reset(); });
    refused([](Plan& plan) { plan.roles.more_fans[0] = 8; });
    refused([](Plan& plan) { plan.roles.fan.reset(); });
}
