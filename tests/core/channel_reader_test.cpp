#include "measure/channel_reader.hpp"

#include <doctest/doctest.h>

#include <cmath>
#include <initializer_list>
#include <limits>
#include <string>

#include "core/timeline.hpp"
#include "maths/correction.hpp"
#include "maths/uncertainty.hpp"

using namespace timeline;

namespace {
Sample at(Duration when, double value, Fault fault = Fault::none) {
    return {.value = value, .begun = Instant{when}, .openings = 0, .fault = fault};
}
}  // namespace

TEST_CASE("a power chain: watts, floor, ceiling") {
    const Channel c = plan().channels[forward];
    const Reading full = ChannelReader{c}.convert(at(1s, volts(100.0)), std::nullopt);
    CHECK(full.health == Health::good);
    CHECK(full.value == doctest::Approx(100.0));
    CHECK(full.taken == Instant{1s});
    const Reading rest = ChannelReader{c}.convert(at(1s, 1.8), std::nullopt);
    CHECK(rest.health == Health::at_floor);
    CHECK(rest.value == doctest::Approx(0.001));  // -50 dBm at the detector and 50 dB: 1 mW
    CHECK(rest.low == 0.0);
    CHECK(full.low < 100.0);  // the chain's own budget
    CHECK(full.high > 100.0);
    const Reading huge = ChannelReader{c}.convert(at(1s, 0.35), std::nullopt);
    CHECK(huge.health == Health::above_range);
    CHECK(huge.value == doctest::Approx(316.23).epsilon(0.001));  // 5 dBm and 50 dB: 55 dBm
}

TEST_CASE("a power whose temperature correction is lost may be off by all of it") {
    Channel c = plan().channels[forward];
    const ChannelReader plain{c};
    c.power->temperature_channel = heatsink;
    c.power->temperature_db_per_k = -0.02;
    c.power->temperature_reference_c = 25.0;
    c.power->temperature_low_c = -15.0;  // +0.8 dB
    c.power->temperature_high_c = 75.0;  // -1.0 dB
    const ChannelReader r{c};
    const Reading before = plain.convert(at(1s, volts(100.0)), {});
    const Reading known = r.convert(at(1s, volts(100.0)), 25.0);
    CHECK(known.low == before.low);
    CHECK(known.high == before.high);
    CHECK(r.convert(at(1s, volts(100.0)), 75.0).value == doctest::Approx(100.0 * std::pow(10.0, -0.1)));
    const Reading lost = r.convert(at(1s, volts(100.0)), {});
    CHECK(lost.value == doctest::Approx(100.0));
    CHECK(lost.low == doctest::Approx(before.low * std::pow(10.0, -0.1)));
    CHECK(lost.high == doctest::Approx(before.high * std::pow(10.0, 0.08)));
    for (const double celsius : {-15.0, 0.0, 25.0, 60.0, 75.0}) {  // the truth, wherever the temperature is
        const double truth = r.convert(at(1s, volts(100.0)), celsius).value;
        CHECK(lost.low < truth);
        CHECK(lost.high > truth);
    }
}

TEST_CASE("outside the window: toward power it is above range, away from it a fault; for other kinds always a fault") {
    Plan p = plan();
    CHECK(ChannelReader{p.channels[forward]}.convert(at(1s, 0.29), {}).health == Health::above_range);
    CHECK(ChannelReader{p.channels[forward]}.convert(at(1s, 2.3), {}).fault == Fault::above_window);
    CHECK(ChannelReader{p.channels[forward]}.convert(at(1s, 2.3), {}).health == Health::unknown);
    p.channels[forward].power->detector = LogDetector{0.025, -60.0};  // rises with power
    CHECK(ChannelReader{p.channels[forward]}.convert(at(1s, 2.3), {}).health == Health::above_range);
    CHECK(ChannelReader{p.channels[forward]}.convert(at(1s, 0.29), {}).fault == Fault::below_window);
    CHECK(ChannelReader{p.channels[forward]}.convert(at(1s, 0.0, Fault::saturated_high), {}).health ==
          Health::above_range);
    CHECK(ChannelReader{p.channels[forward]}.convert(at(1s, 0.0, Fault::saturated_low), {}).health == Health::unknown);
    CHECK(ChannelReader{p.channels[heatsink]}.convert(at(1s, 121.0), {}).fault == Fault::above_window);
    CHECK(ChannelReader{p.channels[heatsink]}.convert(at(1s, -41.0), {}).fault == Fault::below_window);
}

TEST_CASE("gain and zero: a supply divider, a current sensor") {
    Channel c = channel("i", ChannelKind::current, 0, 0, 1s);
    c.zero = 0.5;
    c.gain = 10.0;
    CHECK(ChannelReader{c}.convert(at(1s, 2.3), {}).value == doctest::Approx(18.0));
    c.gain = std::numeric_limits<double>::max();
    CHECK(ChannelReader{c}.convert(at(1s, 100.0), {}).fault == Fault::garbled);  // no infinity leaves
}

TEST_CASE("a failed sample leaves the last reading until it is too old, and then says why") {
    const Channel c = channel("t", ChannelKind::voltage, 0, 0, 3s);
    ChannelReader r{c};
    CHECK(r.at(Instant{1s}).fault == Fault::never_read);
    CHECK_FALSE(r.add(at(1s, 0.0, Fault::absent), Instant{1s}, {}));
    CHECK(r.at(Instant{1s}).fault == Fault::absent);
    CHECK(r.add(at(2s, 28.0), Instant{2s}, {}));
    CHECK_FALSE(r.add(at(4s, 0.0, Fault::empty), Instant{4s}, {}));
    CHECK(r.at(Instant{5s}).value == 28.0);
    CHECK(r.at(Instant{5s}).taken == Instant{2s});
    CHECK(r.at(Instant{5s + 1ns}).health == Health::unknown);
    CHECK(r.at(Instant{5s + 1ns}).fault == Fault::empty);
    CHECK(r.add(at(6s, 27.0), Instant{6s}, {}));
    CHECK(r.at(Instant{10s}).fault == Fault::stale);
}

TEST_CASE("a slot that wasn't in the scan changes nothing") {
    const Channel c = channel("t", ChannelKind::voltage, 0, 0, 3s);
    ChannelReader r{c};
    r.add(at(1s, 28.0), Instant{1s}, {});
    CHECK_FALSE(r.add(at(2s, 0.0, Fault::not_in_scan), Instant{2s}, {}));
    CHECK(r.last_fault() == Fault::none);
}

TEST_CASE("a jump needs a second reading near it, from another conversion") {
    const Channel c = plan().channels[heatsink];
    ChannelReader r{c};
    CHECK(r.add(at(1s, 30.0), Instant{1s}, {}));
    CHECK_FALSE(r.add(at(2s, 60.0), Instant{2s}, {}));
    CHECK(r.last_fault() == Fault::unconfirmed);
    CHECK_FALSE(r.add(at(2s, 60.0), Instant{2s}, {}));  // the same conversion again confirms nothing
    CHECK_FALSE(r.add(at(3s, 90.0), Instant{3s}, {}));  // another lone jump
    CHECK(r.add(at(4s, 31.0), Instant{4s}, {}));
    CHECK_FALSE(r.add(at(5s, 61.0), Instant{5s}, {}));
    CHECK(r.add(at(6s, 62.0), Instant{6s}, {}));
    CHECK(r.at(Instant{6s}).value == 62.0);
    CHECK(r.add(at(7s, 67.0), Instant{7s}, {}));  // exactly the largest step is no jump
}

TEST_CASE("a noisy sensor that never repeats itself grows old instead of being believed") {
    const Channel c = plan().channels[heatsink];
    ChannelReader r{c};
    r.add(at(1s, 30.0), Instant{1s}, {});
    double value = 40.0;
    for (int i = 2; i < 6; ++i, value += 10.0) CHECK_FALSE(r.add(at(1s * i, value), Instant{1s * i}, {}));
    CHECK(r.at(Instant{5s}).health == Health::unknown);
}

TEST_CASE("the power-on value is believed only where the readings before it lead there") {
    Channel c = plan().channels[heatsink];  // largest jump 5 K
    c.power_on_value = 85.0;
    const auto believed = [&](std::initializer_list<double> values) {
        ChannelReader r{c};
        bool last = false;
        int second = 0;
        for (const double value : values) last = r.add(at(1s * ++second, value), Instant{1s * second}, {});
        return last;
    };
    CHECK_FALSE(believed({85.0}));
    CHECK_FALSE(believed({85.0, 85.0, 85.0, 85.0}));  // a part that loses its supply during each conversion
    CHECK_FALSE(believed({30.0, 85.0, 85.0, 85.0}));
    CHECK_FALSE(believed({79.9, 85.0, 85.0}));  // just too far
    CHECK(believed({80.0, 85.0}));
    CHECK(believed({90.0, 85.0, 85.0}));
    CHECK(believed({84.9375, 85.0, 85.0625}));
    CHECK(believed({84.9375}));
    CHECK(believed({85.0625}));
    CHECK(believed({30.0, 82.0, 85.0}));        // a jump, confirmed by its neighbour
    CHECK_FALSE(believed({30.0, 85.0, 84.0}));  // the power-on value confirms nothing
    CHECK(believed({30.0, 85.0, 84.0, 84.0}));
    CHECK(believed({85.0, 85.0625}));  // cold start with a part that is as hot as that
}

TEST_CASE("a sensor at its power-on value since the start permits nothing, whatever the limit") {
    Channel c = plan().channels[heatsink];
    c.power_on_value = 85.0;
    ChannelReader r{c};
    for (int i = 1; i < 1000; ++i) r.add(at(1s * i, 85.0), Instant{1s * i}, {});
    CHECK(r.at(Instant{1000s}).health == Health::unknown);
    CHECK(r.at(Instant{1000s}).fault == Fault::unconfirmed);
}

namespace {
/// Seconds of the first hour in which a reading is young enough; every `nth` sample is 60 K too high.
int believed_for(const Channel& c, int nth) {
    ChannelReader r{c};
    int seconds = 0;
    for (int i = 1; i <= 3600; ++i) {
        r.add(at(1s * i, i % nth == 0 ? 90.0 : 30.0), Instant{1s * i}, {});
        seconds += r.at(Instant{1s * i}).health == Health::good ? 1 : 0;
    }
    return seconds;
}
}  // namespace

TEST_CASE("unconfirmed samples add up to a fault; a rare one doesn't") {
    const Channel c = plan().channels[heatsink];  // allowed age 3 s
    CHECK(believed_for(c, 2) < 30);
    CHECK(believed_for(c, 3) < 60);
    CHECK(believed_for(c, 5) < 200);
    CHECK(believed_for(c, 8) < 2000);
    CHECK(believed_for(c, 9) == 3600);  // one in nine is what is forgiven
    CHECK(believed_for(c, 1000) == 3600);
}

TEST_CASE("a sensor that has been erratic is believed again once it has been steady") {
    const Channel c = plan().channels[heatsink];
    double back = 0.0;
    SUBCASE("where it was") {
        back = 30.0;
    }
    SUBCASE("colder by more than a jump, as after a long while") {
        back = 5.0;
    }
    SUBCASE("hotter") {
        back = 60.0;
    }
    ChannelReader r{c};
    int second = 0;
    const auto take = [&](double value) { return r.add(at(1s * ++second, value), Instant{1s * second}, {}); };
    for (int i = 0; i < 20; ++i) take(i % 2 == 0 ? 30.0 : 90.0);
    CHECK(r.at(Instant{1s * second}).fault == Fault::unconfirmed);
    int steady = 0;
    while (!take(back) && steady < 1000) ++steady;
    CHECK(steady > 10);
    CHECK(steady < 40);
    for (int i = 0; i < 100; ++i) CHECK(take(back));
}

TEST_CASE("bit-identical for too long: a warning, or a fault where configured") {
    Channel c = channel("t", ChannelKind::voltage, 0, 0, 3s);
    c.frozen_after = 10s;
    ChannelReader r{c};
    for (int i = 1; i <= 11; ++i) CHECK(r.add(at(1s * i, 28.0), Instant{1s * i}, {}));
    CHECK_FALSE(r.frozen(Instant{11s}));
    CHECK(r.add(at(12s, 28.0), Instant{12s}, {}));
    CHECK(r.frozen(Instant{12s}));
    r.add(at(13s, 28.01), Instant{13s}, {});
    CHECK_FALSE(r.frozen(Instant{13s}));
    c.frozen_is_fault = true;
    ChannelReader strict{c};
    strict.add(at(1s, 28.0), Instant{1s}, {});
    CHECK_FALSE(strict.add(at(12s, 28.0), Instant{12s}, {}));
    CHECK(strict.last_fault() == Fault::frozen);
}

TEST_CASE("the window's ends are inside, and without a window any number is") {
    Channel c = plan().channels[heatsink];  // -40 to 120
    for (const double value : {-40.0, 120.0}) CHECK(ChannelReader{c}.convert(at(1s, value), {}).health == Health::good);
    c.valid_low = c.valid_high;
    CHECK(ChannelReader{c}.convert(at(1s, 121.0), {}).health == Health::good);
    CHECK(ChannelReader{c}.convert(at(1s, -300.0), {}).health == Health::good);
    for (const double value : {std::numeric_limits<double>::infinity(), std::numeric_limits<double>::quiet_NaN()})
        CHECK(ChannelReader{c}.convert(at(1s, value), {}).fault == Fault::garbled);
    Channel power = plan().channels[forward];
    power.valid_high = volts(10.0);  // 1 V: falling, so that less power lies above
    CHECK(ChannelReader{power}.convert(at(1s, volts(10.0)), {}).health == Health::good);
    power.valid_low = volts(200.0);
    CHECK(ChannelReader{power}.convert(at(1s, volts(200.0)), {}).health == Health::good);
}

TEST_CASE("only a power is beyond what it can show: the converter's end is a fault of all else") {
    const Channel temperature = plan().channels[heatsink];
    for (const Fault end : {Fault::saturated_low, Fault::saturated_high}) {
        CHECK(ChannelReader{temperature}.convert(at(1s, 0.0, end), {}).health == Health::unknown);
        CHECK(ChannelReader{temperature}.convert(at(1s, 0.0, end), {}).fault == end);
    }
    const Channel falling = plan().channels[forward];
    const ChannelReader power{falling};
    CHECK(power.convert(at(1s, 0.0, Fault::saturated_low), {}).health == Health::above_range);
    CHECK(power.convert(at(1s, 0.0, Fault::saturated_high), {}).health == Health::unknown);
    CHECK(power.convert(at(1s, 0.0, Fault::io_error), {}).health == Health::unknown);
}

TEST_CASE("beyond the ceiling: at least the least that the ceiling can be, the lost temperature's share included") {
    Channel c = plan().channels[forward];
    const Reading ceiling = ChannelReader{c}.convert(at(1s, 0.375), {});  // 5 dBm at the detector
    const Reading beyond = ChannelReader{c}.convert(at(1s, 0.32), {});
    REQUIRE(ceiling.health == Health::good);
    REQUIRE(beyond.health == Health::above_range);
    CHECK(beyond.value == doctest::Approx(ceiling.value));
    CHECK(beyond.low == doctest::Approx(ceiling.low));
    CHECK(beyond.high == unbounded);
    c.power->temperature_channel = heatsink;
    c.power->temperature_db_per_k = 0.02;
    c.power->temperature_reference_c = 25.0;
    c.power->temperature_low_c = -15.0;  // -0.8 dB
    c.power->temperature_high_c = 75.0;
    CHECK(ChannelReader{c}.convert(at(1s, 0.32), {}).low == doctest::Approx(beyond.low * std::pow(10.0, -0.08)));
    c.power->temperature_low_c = 35.0;  // +0.2 dB at least, and none where it is lost
    CHECK(ChannelReader{c}.convert(at(1s, 0.32), {}).low == doctest::Approx(beyond.low));
}

TEST_CASE("the stated uncertainty is the budget's, and of a corrected chain that of the reading itself") {
    Channel c = plan().channels[forward];
    const Reading reading{.value = 100.0, .low = 80.0, .high = 125.0, .health = Health::good, .fault = Fault::none};
    const double stated = power_budget(*c.power).combined_db;
    CHECK(stated > 0.0);
    CHECK(ChannelReader{c}.uncertainty_db(reading) == doctest::Approx(stated));
    const ComparedLevel levels[] = {{1.0, -20.0}, {0.5, 0.0}};
    c.power->correction = correction_from(c.power->detector, levels, 0.5);
    REQUIRE(c.power->correction);
    CHECK(ChannelReader{c}.uncertainty_db(reading) == doctest::Approx(0.9691));  // 125 / 100, 10 log10 by hand
    Reading least = reading;
    least.health = Health::above_range;
    least.low = 50.0;
    CHECK(ChannelReader{c}.uncertainty_db(least) == doctest::Approx(3.0103));  // 100 / 50
    CHECK(ChannelReader{plan().channels[heatsink]}.uncertainty_db(reading) == 0.0);
}

TEST_CASE("a contact that opened between two looks was open at the second one, once") {
    const Channel c = channel("lid", ChannelKind::contact, 0, 0, 1s);
    ChannelReader r{c};
    const auto look = [&](Duration when, std::uint32_t openings, Fault fault = Fault::none) {
        r.add({.value = 1.0, .begun = Instant{when}, .openings = openings, .fault = fault}, Instant{when}, {});
        return r.at(Instant{when});
    };
    CHECK(look(1s, 5).value == 1.0);  // before the first look: nothing to compare with
    const Reading opened = look(1100ms, 6);
    CHECK(opened.value == 0.0);
    CHECK(opened.low == 0.0);
    CHECK(opened.high == 0.0);
    CHECK(look(1200ms, 6).value == 1.0);
    look(1300ms, 7, Fault::io_error);  // not seen: told at the next look
    CHECK(look(1400ms, 7).value == 0.0);
    CHECK(look(1500ms, 7).value == 1.0);
    Channel voltage = c;
    voltage.kind = ChannelKind::voltage;
    ChannelReader other{voltage};
    for (std::uint32_t openings = 1; openings < 3; ++openings)
        other.add({.value = 1.0, .begun = Instant{1s}, .openings = openings, .fault = Fault::none}, Instant{1s}, {});
    CHECK(other.at(Instant{1s}).value == 1.0);
}

TEST_CASE("a stamp from the future counts as now") {
    const Channel c = channel("v", ChannelKind::voltage, 0, 0, 1s);
    ChannelReader r{c};
    CHECK(r.add(at(100s, 28.0), Instant{1s}, {}));
    CHECK(r.at(Instant{2s}).taken == Instant{1s});
    CHECK(r.at(Instant{2s + 1ns}).health == Health::unknown);
}

namespace {
/// Which of these temperatures, a second apart, are believed: a letter each, y or n.
std::string believed(const Channel& c, std::initializer_list<double> values) {
    ChannelReader r{c};
    std::string told;
    Instant now{};
    for (const double value : values) {
        now += 1s;
        told += r.add({.value = value, .begun = now, .openings = 0, .fault = Fault::none}, now, {}) ? 'y' : 'n';
    }
    return told;
}
}  // namespace

TEST_CASE("erratic: four wild ones in a row, or five in ten; then seventeen steady ones") {
    const Channel c = plan().channels[heatsink];  // largest jump 5 K
    const double s = 30.0;
    CHECK(believed(c, {s, 60, 90, 60, s}) == "ynnny");
    CHECK(believed(c, {s, 60, 90, 60, 90, s}) == "ynnnnn");
    CHECK(believed(c, {s, 60, 90, 60, s, 60, s, s}) == "ynnnynyy");               // 31 at most
    CHECK(believed(c, {s, 60, s, 60, s, 60, s, 60, s, 60, s}) == "ynynynynynn");  // the fifth
    CHECK(believed(c, {s, 60, 90, 60, 90, s, s, s, s, s, s, s, s, s, s, s, s, s, s, s, s, s, s}) ==
          "ynnnn" + std::string(16, 'n') + "yy");
    // More wild ones cost no more time; and steady again, it is as good as new.
    CHECK(believed(c,
                   {s, 60, 90, 60, 90, 60, 90, 60, s, s, s, s, s, s, s, s, s, s, s, s, s, s, s, s, s, 60, 90, 60, s}) ==
          "ynnnnnnn" + std::string(16, 'n') + "ynnny");
    // Paid back to the last one: what was forgiven leaves nothing.
    CHECK(believed(c, {s, 60, 90, 60, 90, s, s, s, s, s, s, s, s, s, s, s, s, s, s, s, s, s, 60, 90, 60, s, 60, s}) ==
          "ynnnn" + std::string(16, 'n') + "ynnnyny");
    CHECK(believed(c, {s, 60, s, s, s, s, s, s, s, s, 60, 90, 60, s, 60, s}) == "ynyyyyyyyynnnyny");
}

TEST_CASE("a second reading is near within the largest jump, and within a kelvin at least") {
    Channel c = plan().channels[heatsink];
    CHECK(believed(c, {30, 60, 65}) == "yny");
    CHECK(believed(c, {30, 60, 65.001}) == "ynn");
    CHECK(believed(c, {30, 35}) == "yy");
    CHECK(believed(c, {30, 35.001}) == "yn");
    c.largest_jump = 0.5;
    CHECK(believed(c, {30, 40, 41}) == "yny");
    CHECK(believed(c, {30, 40, 41.001}) == "ynn");
    c.largest_jump = 0.0;  // no rule
    CHECK(believed(c, {30, 90, -30}) == "yyy");
    c.power_on_value = 85.0;
    CHECK(believed(c, {84, 85}) == "yy");
    CHECK(believed(c, {83.999, 85}) == "yn");
    CHECK(believed(c, {90, 20, 85, 20}) == "yyny");
    Channel voltage = c;
    voltage.kind = ChannelKind::voltage;  // the rules are for temperatures
    CHECK(believed(voltage, {30, 90, 85}) == "yyy");
}

TEST_CASE("what a reader says stands until its value is too old, or has not changed for too long") {
    Channel c = channel("t", ChannelKind::voltage, 0, 0, 3s);
    ChannelReader r{c};
    CHECK(r.stands_until(Instant{1s}) == Instant::max());  // nothing was read
    r.add(at(1s, 28.0), Instant{1s}, {});
    CHECK(r.stands_until(Instant{1s}) == Instant{4s});
    CHECK(r.stands_until(Instant{4s}) == Instant{4s});
    CHECK(r.stands_until(Instant{4s + 1ns}) == Instant::max());  // it is stale, and stays so
    c.frozen_after = 2s;
    CHECK(r.stands_until(Instant{1s}) == Instant{3s});
    CHECK(r.stands_until(Instant{3s}) == Instant{3s});
    CHECK(r.stands_until(Instant{3s + 1ns}) == Instant{4s});  // it is frozen, and grows old
    c.frozen_after = 9s;
    CHECK(r.stands_until(Instant{5s}) == Instant{10s});
    CHECK(r.stands_until(Instant{10s + 1ns}) == Instant::max());
}

TEST_CASE("frozen: longer than its time, and never where no time is given") {
    Channel c = channel("t", ChannelKind::voltage, 0, 0, 3s);
    c.frozen_after = 10s;
    ChannelReader r{c};
    CHECK_FALSE(r.frozen(Instant{100s}));  // nothing was read
    r.add(at(1s, 28.0), Instant{1s}, {});
    CHECK_FALSE(r.frozen(Instant{11s}));
    CHECK(r.frozen(Instant{11s + 1ns}));
    c.frozen_after = 0s;
    CHECK_FALSE(r.frozen(Instant{1000s}));
    Channel zero = channel("t", ChannelKind::voltage, 0, 0, 3s);
    zero.frozen_after = 10s;
    ChannelReader from_zero{zero};  // its first value is news, also where it is 0
    from_zero.add(at(100s, 0.0), Instant{100s}, {});
    CHECK_FALSE(from_zero.frozen(Instant{105s}));
}
