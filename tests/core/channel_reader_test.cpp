#include "core/channel_reader.hpp"

#include <doctest/doctest.h>

#include <limits>

#include "core/timeline.hpp"

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
    CHECK_FALSE(r.take(at(1s, 0.0, Fault::absent), Instant{1s}, {}));
    CHECK(r.at(Instant{1s}).fault == Fault::absent);
    CHECK(r.take(at(2s, 28.0), Instant{2s}, {}));
    CHECK_FALSE(r.take(at(4s, 0.0, Fault::empty), Instant{4s}, {}));
    CHECK(r.at(Instant{5s}).value == 28.0);
    CHECK(r.at(Instant{5s}).taken == Instant{2s});
    CHECK(r.at(Instant{5s + 1ns}).health == Health::unknown);
    CHECK(r.at(Instant{5s + 1ns}).fault == Fault::empty);
    CHECK(r.take(at(6s, 27.0), Instant{6s}, {}));
    CHECK(r.at(Instant{10s}).fault == Fault::stale);
}

TEST_CASE("a slot that wasn't in the scan changes nothing") {
    const Channel c = channel("t", ChannelKind::voltage, 0, 0, 3s);
    ChannelReader r{c};
    r.take(at(1s, 28.0), Instant{1s}, {});
    CHECK_FALSE(r.take(at(2s, 0.0, Fault::not_in_scan), Instant{2s}, {}));
    CHECK(r.last_fault() == Fault::none);
}

TEST_CASE("a jump needs a second reading near it, from another conversion") {
    const Channel c = plan().channels[heatsink];
    ChannelReader r{c};
    CHECK(r.take(at(1s, 30.0), Instant{1s}, {}));
    CHECK_FALSE(r.take(at(2s, 60.0), Instant{2s}, {}));
    CHECK(r.last_fault() == Fault::unconfirmed);
    CHECK_FALSE(r.take(at(2s, 60.0), Instant{2s}, {}));  // the same conversion again confirms nothing
    CHECK_FALSE(r.take(at(3s, 90.0), Instant{3s}, {}));  // another lone jump
    CHECK(r.take(at(4s, 31.0), Instant{4s}, {}));
    CHECK_FALSE(r.take(at(5s, 61.0), Instant{5s}, {}));
    CHECK(r.take(at(6s, 62.0), Instant{6s}, {}));
    CHECK(r.at(Instant{6s}).value == 62.0);
    CHECK(r.take(at(7s, 67.0), Instant{7s}, {}));  // exactly the largest step is no jump
}

TEST_CASE("a noisy sensor that never repeats itself grows old instead of being believed") {
    const Channel c = plan().channels[heatsink];
    ChannelReader r{c};
    r.take(at(1s, 30.0), Instant{1s}, {});
    double value = 40.0;
    for (int i = 2; i < 6; ++i, value += 10.0) CHECK_FALSE(r.take(at(1s * i, value), Instant{1s * i}, {}));
    CHECK(r.at(Instant{5s}).health == Health::unknown);
}

TEST_CASE("bit-identical for too long: a warning, or a fault where configured") {
    Channel c = channel("t", ChannelKind::voltage, 0, 0, 3s);
    c.frozen_after = 10s;
    ChannelReader r{c};
    for (int i = 1; i <= 11; ++i) CHECK(r.take(at(1s * i, 28.0), Instant{1s * i}, {}));
    CHECK_FALSE(r.frozen(Instant{11s}));
    CHECK(r.take(at(12s, 28.0), Instant{12s}, {}));
    CHECK(r.frozen(Instant{12s}));
    r.take(at(13s, 28.01), Instant{13s}, {});
    CHECK_FALSE(r.frozen(Instant{13s}));
    c.frozen_is_fault = true;
    ChannelReader strict{c};
    strict.take(at(1s, 28.0), Instant{1s}, {});
    CHECK_FALSE(strict.take(at(12s, 28.0), Instant{12s}, {}));
    CHECK(strict.last_fault() == Fault::frozen);
}
