// The raw bounds against data sheets and arithmetic written out here. Nothing of core is linked.
#include "second_opinion/bounds.hpp"

#include <doctest/doctest.h>

#include <array>
#include <cmath>
#include <limits>

using namespace dekeyd;
using namespace dekeyd::second_opinion;
using namespace std::chrono_literals;

namespace {

constexpr double infinite = std::numeric_limits<double>::infinity();
constexpr std::array rounds{Time{20ms}, Time{2600ms}};

core::Channel detector(core::Detector kind) {
    core::Channel channel;
    channel.id = "forward";
    channel.kind = core::ChannelKind::power;
    channel.allowed_age = 100ms;
    channel.valid_low = 0.01;
    channel.valid_high = 2.4;
    channel.power.emplace();
    channel.power->detector = std::move(kind);
    channel.power->ceiling_dbm = 30.0;
    return channel;
}

core::Channel thermometer() {
    core::Channel channel;
    channel.id = "heatsink";
    channel.kind = core::ChannelKind::temperature;
    channel.sampler = 1;
    channel.allowed_age = 6s;
    channel.valid_low = -40.0;
    channel.valid_high = 120.0;
    return channel;
}

core::LimitPlan limit(core::QuantityIndex watch, double trip, core::Direction direction = core::Direction::above) {
    core::LimitPlan l;
    l.watch = watch;
    l.trip = trip;
    l.direction = direction;
    l.qualify = 10ms;
    return l;
}

core::Plan plan(core::Channel channel, double trip, core::Direction direction = core::Direction::above) {
    core::Plan p;
    p.samplers = {4, 1};
    p.channels = {std::move(channel)};
    p.limits = {limit(0, trip, direction)};
    return p;
}

Bound bound_of(const core::Plan& p) {
    const Bounds all = bounds_of(p, rounds);
    REQUIRE(all.bounds.size() == 1);
    return all.bounds[0];
}

/// Within a millionth of a volt, on the far side of it.
void lies_at(const Side& side, double level) {
    CHECK(std::abs(side.level - level) < 1e-6);
    CHECK((side.above ? side.level > level : side.level < level));
}

}  // namespace

TEST_CASE("log detectors by their data sheets, both signs of slope") {
    // -10 dBm at the detector is 0.1 mW. AD8318 at 2.2 GHz: -24.4 mV/dB, 19.6 dBm: 0.722 V at -10 dBm (its data sheet's
    // slope and intercept; the voltage computed from them by hand: 29.6 dB x 24.4 mV).
    const Bound falling = bound_of(plan(detector(core::LogDetector{-0.0244, 19.6}), 0.0001));
    CHECK_FALSE(falling.beyond.above);
    CHECK(falling.beyond.level == doctest::Approx(0.72224).epsilon(1e-6));
    // AD8312 at 2.2 GHz: +19.1 mV/dB, -52.1 dBm: 0.803 V at -10 dBm (its data sheet; 42.1 dB x 19.1 mV = 0.80411).
    const Bound rising = bound_of(plan(detector(core::LogDetector{0.0191, -52.1}), 0.0001));
    CHECK(rising.beyond.above);
    CHECK(std::abs(rising.beyond.level - 0.803) < 0.002);
    CHECK(rising.beyond.level == doctest::Approx(0.80411).epsilon(1e-6));
}

TEST_CASE("the main line: 100 W behind 30 dB of coupler and 20 dB of pad are 0 dBm at the detector") {
    // 50 dBm - 30 dB - 20 dB = 0 dBm; a cable of 0.5 dB and a waveform that reads low by 1 dB take 1.5 dB more from it.
    core::Plan p = plan(detector(core::LogDetector{-0.025, 20.0}), 100.0);
    p.channels[0].power->coupling_db = 30.0;
    p.channels[0].power->pads_db = 20.0;
    lies_at(bound_of(p).beyond, 0.5);  // -25 mV/dB x (0 - 20) dB
    p.channels[0].power->cable_db = 0.5;
    p.channels[0].power->waveform_db = 1.0;
    lies_at(bound_of(p).beyond, 0.5375);
    p.limits[0].direction = core::Direction::below;
    const Side weak = bound_of(p).beyond;
    CHECK(weak.above);
    lies_at(weak, 0.5375);
}

TEST_CASE("a table between and beyond its points, a diode, and the ceiling") {
    const core::TableDetector table{{{1.6, -40.0}, {1.0, -20.0}, {0.9, -10.0}}};
    core::Plan p = plan(detector(table), 0.00001);  // -20 dBm
    lies_at(bound_of(p).beyond, 1.0);
    p.limits[0].trip = std::pow(10.0, -2.5) / 1000.0;  // -25 dBm: a quarter of the way from -20 to -40
    lies_at(bound_of(p).beyond, 1.15);
    p.limits[0].trip = 0.0001;  // -10 dBm
    lies_at(bound_of(p).beyond, 0.9);
    p.limits[0].trip = 0.01;  // 10 dBm: 20 dB past the end, at 10 mV/dB
    lies_at(bound_of(p).beyond, 0.7);
    p.limits[0].trip = std::pow(10.0, -5.0) / 1000.0;  // -50 dBm: 10 dB short of the first, at 30 mV/dB
    lies_at(bound_of(p).beyond, 1.9);
    p.channels[0].power->ceiling_dbm = -5.0;  // the chain tells no more
    p.limits[0].trip = 0.01;
    lies_at(bound_of(p).beyond, 0.85);
    p.channels[0].power->detector = core::TableDetector{{{0.2, -40.0}, {1.0, 0.0}}};
    p.channels[0].power->ceiling_dbm = 30.0;
    p.limits[0].trip = 0.001;  // 0 dBm
    CHECK(bound_of(p).beyond.above);
    lies_at(bound_of(p).beyond, 1.0);
    // 500 mV/mW, 2 mW at the detector: 1 V.
    p.channels[0].power->detector = core::SquareLawDetector{500.0};
    p.limits[0].trip = 0.002;
    CHECK(bound_of(p).beyond.above);
    lies_at(bound_of(p).beyond, 1.0);
}

TEST_CASE("the window's strong end is nearer than a level behind it") {
    core::Plan p = plan(detector(core::LogDetector{-0.025, 20.0}), 0.1);  // 20 dBm: 0 V
    p.channels[0].valid_low = 0.3;
    lies_at(bound_of(p).beyond, 0.3);
    p.channels[0].power->detector = core::LogDetector{0.025, -60.0};  // 2 V
    p.channels[0].valid_high = 1.8;
    lies_at(bound_of(p).beyond, 1.8);
    p.limits[0].direction = core::Direction::below;  // the weak side has no such end
    lies_at(bound_of(p).beyond, 2.0);
    p.limits[0].direction = core::Direction::above;
    p.channels[0].valid_low = p.channels[0].valid_high = 0.0;  // no window
    lies_at(bound_of(p).beyond, 2.0);
}

TEST_CASE("a compensation by temperature: the bound is where it hides the most") {
    core::Plan p = plan(detector(core::LogDetector{-0.025, 20.0}), 0.001);  // 0 dBm: 0.5 V
    p.channels.push_back(thermometer());
    core::PowerChain& chain = *p.channels[0].power;
    chain.temperature_channel = 1;
    chain.temperature_reference_c = 20.0;
    chain.temperature_db_per_k = 0.01;  // -0.6 dB at -40 degC, +1.0 dB at 120 degC
    lies_at(bound_of(p).beyond, 0.5 - 0.6 * 0.025);
    chain.temperature_db_per_k = -0.01;  // -1.0 dB at 120 degC
    lies_at(bound_of(p).beyond, 0.5 - 1.0 * 0.025);
    p.limits[0].direction = core::Direction::below;
    lies_at(bound_of(p).beyond, 0.5 + 0.6 * 0.025);
    p.limits[0].direction = core::Direction::above;
    p.channels[1].gain = 2.0;
    p.channels[1].zero = -10.0;  // 260 degC at its window's end: -2.4 dB
    lies_at(bound_of(p).beyond, 0.5 - 2.4 * 0.025);
    chain.temperature_db_per_k = 0.01;  // -60 degC at its other end: -0.8 dB
    lies_at(bound_of(p).beyond, 0.5 - 0.8 * 0.025);
    chain.temperature_db_per_k = -0.01;
    p.channels[1].gain = 1.0;
    p.channels[1].valid_low = p.channels[1].valid_high = 0.0;  // none: the part's range, -1.05 dB at 125 degC
    lies_at(bound_of(p).beyond, 0.5 - 1.05 * 0.025);
    chain.temperature_db_per_k = 0.01;  // -0.75 dB at -55 degC
    lies_at(bound_of(p).beyond, 0.5 - 0.75 * 0.025);
    p.channels[1].valid_low = 30.0;
    p.channels[1].valid_high = 120.0;  // lost, it adds nothing, which is less than at 30 degC
    lies_at(bound_of(p).beyond, 0.5);
}

TEST_CASE("a bound lies beyond its level by a billionth of it and of one") {
    CHECK(std::abs(bound_of(plan(thermometer(), 70.0)).beyond.level - 70.0 - 71e-9) < 1e-12);
}

TEST_CASE("what is no power: gain, zero and their sign") {
    core::Channel supply;
    supply.kind = core::ChannelKind::voltage;
    supply.valid_low = 0.1;
    supply.valid_high = 5.0;
    supply.gain = 11.0;  // a divider of 10:1
    supply.zero = 0.02;
    core::Plan p = plan(supply, 30.8);
    CHECK(bound_of(p).beyond.above);
    lies_at(bound_of(p).beyond, 2.82);  // 30.8 / 11 + 0.02
    p.channels[0].gain = 0.5;           // rises, however slowly
    CHECK(bound_of(p).beyond.above);
    p.channels[0].gain = 11.0;
    p.limits[0].direction = core::Direction::below;
    CHECK_FALSE(bound_of(p).beyond.above);
    p.channels[0].gain = -11.0;
    CHECK(bound_of(p).beyond.above);
    lies_at(bound_of(p).beyond, -2.78);
    p.channels[0].gain = 0.0;
    CHECK(bounds_of(p, rounds).bounds.empty());
    REQUIRE(bounds_of(p, rounds).without.size() == 1);
    CHECK_FALSE(bounds_of(p, rounds).without[0].why.empty());
    core::Channel lid;
    lid.kind = core::ChannelKind::contact;
    const Bound open = bound_of(plan(lid, 0.5, core::Direction::below));
    CHECK(open.beyond.holds(0.0));
    CHECK_FALSE(open.beyond.holds(1.0));
    CHECK_FALSE(open.beyond.holds(0.5));
}

TEST_CASE("patience: the qualify time and a round; where jumps are doubted, their age too") {
    core::Plan p = plan(thermometer(), 70.0);
    p.limits[0].qualify = 1s;
    CHECK(bound_of(p).patience == 3600ms);
    p.channels[0].largest_jump = 0.5;
    CHECK(bound_of(p).patience == 9600ms);
    p.channels[0].largest_jump = 0.0;
    p.channels[0].power_on_value = 85.0;
    CHECK(bound_of(p).patience == 9600ms);
    p.channels[0].kind = core::ChannelKind::voltage;  // the rule is for temperatures
    CHECK(bound_of(p).patience == 3600ms);
    CHECK(bound_of(plan(detector(core::LogDetector{-0.025, 20.0}), 1.0)).patience == 30ms);
}

TEST_CASE("a gate becomes a raw number of its own channel") {
    core::Plan p = plan(detector(core::LogDetector{-0.025, 20.0}), 1.0);
    p.channels.push_back(thermometer());
    p.channels[1].largest_jump = 5.0;
    p.limits[0].gate = core::Gate{.quantity = 1, .level = 45.0, .open = core::Direction::above};
    Bound bound = bound_of(p);
    CHECK(bound.gate == 1);
    CHECK(bound.open.above);
    lies_at(bound.open, 45.0);
    CHECK(bound.patience == 30ms + 6s);
    p.limits = {limit(1, 70.0)};
    p.limits[0].gate = core::Gate{.quantity = 0, .level = 0.001, .open = core::Direction::above};
    bound = bound_of(p);
    CHECK(bound.sensor == 1);
    CHECK_FALSE(bound.open.above);
    lies_at(bound.open, 0.5);
    p.limits[0].gate->open = core::Direction::below;
    CHECK(bound_of(p).open.above);
    p.limits[0].gate->quantity = p.index(core::Derived::vswr);
    CHECK(bounds_of(p, rounds).bounds.empty());
    CHECK(bounds_of(p, rounds).without.size() == 1);
    p.limits[0].gate = core::Gate{.quantity = 0, .level = 0.0, .open = core::Direction::above};  // no dBm
    CHECK(bounds_of(p, rounds).bounds.empty());
    CHECK(bounds_of(p, rounds).without.size() == 1);
}

TEST_CASE("which limits have none") {
    core::Plan p = plan(detector(core::LogDetector{-0.025, 20.0}), 1.0);
    const auto count = [&] {
        const Bounds all = bounds_of(p, rounds);
        return std::pair{all.bounds.size(), all.without.size()};
    };
    CHECK(count() == std::pair<std::size_t, std::size_t>{1, 0});
    p.limits[0].trips = false;  // it only warns
    CHECK(count() == std::pair<std::size_t, std::size_t>{0, 0});
    p.limits[0].trips = true;
    p.limits[0].provisional = true;  // it rests but while commissioning
    CHECK(count() == std::pair<std::size_t, std::size_t>{0, 0});
    p.limits[0].provisional = false;
    p.limits[0].watch = p.index(core::Derived::vswr);
    CHECK(count() == std::pair<std::size_t, std::size_t>{0, 1});
    p.limits[0].watch = 0;
    p.limits[0].edge = core::Edge::low;  // at 1 W it can be inside yet
    CHECK(count() == std::pair<std::size_t, std::size_t>{0, 1});
    p.limits[0].edge = core::Edge::high;  // trips earlier
    CHECK(count() == std::pair<std::size_t, std::size_t>{1, 0});
    p.limits[0].direction = core::Direction::below;
    CHECK(count() == std::pair<std::size_t, std::size_t>{0, 1});
    p.limits[0].edge = core::Edge::low;
    CHECK(count() == std::pair<std::size_t, std::size_t>{1, 0});
    p.channels[0] = thermometer();  // known exactly, as far as is told
    p.limits[0].edge = core::Edge::high;
    CHECK(count() == std::pair<std::size_t, std::size_t>{1, 0});
    p.channels[0] = detector(core::TableDetector{{{1.0, 0.0}}});
    p.limits[0].direction = core::Direction::above;
    CHECK(count() == std::pair<std::size_t, std::size_t>{0, 1});
    p.limits.push_back(limit(0, 2.0));
    p.channels[0] = thermometer();
    const Bounds two = bounds_of(p, rounds);
    REQUIRE(two.bounds.size() == 2);
    CHECK(two.bounds[0].name == 0);
    CHECK(two.bounds[1].name == 1);
}

TEST_CASE("sensors: place, age, window and the second reading") {
    core::Plan p = plan(detector(core::LogDetector{-0.025, 20.0}), 1.0);
    p.channels[0].slot = 1;
    p.channels.push_back(thermometer());
    p.rf.forward_again_slot = 3;
    p.roles.forward = 0;
    const auto sensor = [&](std::size_t i) { return bounds_of(p, rounds).sensors[i]; };
    CHECK(sensor(0).slot == 1);
    CHECK(sensor(0).sampler == 0);
    CHECK(sensor(0).name == 1);  // after the one limit
    CHECK(sensor(1).name == 2);
    CHECK(sensor(1).sampler == 1);
    CHECK(sensor(0).again == none);
    p.roles.reflected = 0;
    CHECK(sensor(0).again == 3);
    CHECK(sensor(1).again == none);
    CHECK(sensor(0).age == 120ms);
    CHECK(sensor(1).age == 8600ms);
    // Past the strong end of its window, and at the converter's end there, it is power; past the weak end nothing.
    CHECK(sensor(0).falls);
    CHECK(sensor(0).lowest == -infinite);
    CHECK(sensor(0).highest == 2.4);
    p.channels[0].power->detector = core::LogDetector{0.025, -60.0};
    CHECK_FALSE(sensor(0).falls);
    CHECK(sensor(0).lowest == 0.01);
    CHECK(sensor(0).highest == infinite);
    p.channels[0].valid_low = p.channels[0].valid_high = 0.0;
    CHECK(sensor(0).lowest == std::numeric_limits<double>::lowest());
    CHECK(sensor(1).lowest == -40.0);
    CHECK(sensor(1).highest == 120.0);
    p.channels[1].valid_low = p.channels[1].valid_high;
    CHECK(sensor(1).highest == std::numeric_limits<double>::max());  // at its end it is no number
}

TEST_CASE("whose silence counts, and when") {
    core::Plan p = plan(thermometer(), 70.0);
    const auto sensor = [&] { return bounds_of(p, rounds).sensors[0]; };
    p.channels[0].required = false;
    CHECK(sensor().age == 8600ms);  // a limit rests on it
    p.limits[0].gate = core::Gate{.quantity = 0, .level = 45.0, .open = core::Direction::above};
    CHECK(sensor().age == never);
    p.channels[0].required = true;
    CHECK(sensor().age == 8600ms);
    CHECK_FALSE(sensor().while_supplied);
    p.limits[0].gate.reset();
    p.limits[0].while_supplied = true;  // the limit alone speaks for it
    CHECK(sensor().while_supplied);
    p.limits.push_back(limit(0, 80.0));
    CHECK_FALSE(sensor().while_supplied);
    p.limits[1].trips = false;
    CHECK(sensor().while_supplied);
    p.limits.clear();
    CHECK_FALSE(sensor().while_supplied);
    p.channels[0].required = false;
    CHECK(sensor().age == never);
    CHECK(bounds_of(p, rounds).supply_time == 0ns);
    p.supervision.contactor = true;
    p.supervision.contactor_time = 700ms;
    CHECK(bounds_of(p, rounds).supply_time == 700ms);
    p.limits = {limit(0, 70.0)};
    p.limits[0].while_supplied = true;
    CHECK(bound_of(p).while_supplied);
}
