#include "configuration_sample.hpp"
#include "expect_faults.hpp"

using namespace dekeyd;
using namespace dekeyd::formats;
using namespace std::chrono_literals;

TEST_CASE("faults of buses") {
    expect_faults(load_configuration(spoiled("driver: w1, period: 1 s", "driver: 1wire, period: 1 s")),
                  {{6, "buses.wire.driver", "'1wire' is none of the words"}});
    expect_faults(load_configuration(spoiled("driver: w1, period: 1 s", "driver: w1")),
                  {{6, "buses.wire.period", "'period' is missing"}});
    expect_faults(
        load_configuration(spoiled("driver: iio, device: ads1015, period: 20 ms", "driver: iio, period: 20 us")),
        {{7, "buses.adc.device", "'device' is missing"}, {7, "buses.adc.period", "'20 us' is outside"}});
    expect_faults(load_configuration(spoiled("codes: -32768 .. 32767", "codes: 32767 .. -32768")),
                  {{7, "buses.adc.codes", "'32767 .. -32768' has its low end at or above"}});
    expect_faults(load_configuration(spoiled("driver: w1, period: 1 s", "driver: w1, period: 1 s, device: x")),
                  {{6, "buses.wire.device", "the key 'device' is not known here"}});
    expect_faults(
        load_configuration(spoiled("  psu: {driver: hwmon, device: ltc4151, period: 100 ms}\n",
                                   "  psu: {driver: hwmon, device: ltc4151, period: 100 ms}\n"
                                   "  two: {driver: hwmon, device: ltc4151, period: 100 ms}\n")),
        {{9, "buses.two", "a second bus reads the device 'ltc4151'"}, {9, "buses.two", "no sensor is on this bus"}});
    CHECK(advised(load_configuration(spoiled(", codes: -32768 .. 32767", "")), "no 'codes:'"));
}

TEST_CASE("two chips of one name are told apart by their labels") {
    const Loaded loaded = load_configuration(spoiled(
        spoiled("  psu: {driver: hwmon, device: ltc4151, period: 100 ms}\n",
                "  psu: {driver: hwmon, device: ltc4151, period: 100 ms, label: 0-006f}\n"
                "  two: {driver: hwmon, device: ltc4151, period: 100 ms, label: 1-006f}\n"),
        "amplifier:\n", "  second: {bus: two, address: in1, measures: voltage, allowed_age: 500 ms}\namplifier:\n"));
    expect_no_faults(loaded);
    CHECK(loaded.configuration->buses[3].label == "1-006f");
}

TEST_CASE("an allowed age that the bus can't keep is refused with the figure") {
    // 1-Wire: two sensors of 800 ms and a period of 1 s make 2.6 s, computed.
    const Loaded wire =
        load_configuration(spoiled(spoiled("allowed_age: 5 s}", "allowed_age: 2.5 s}"), "  forward:\n    bus",
                                   "  air: {bus: wire, address: 28-000000000002, measures: temperature, allowed_age: "
                                   "2.6 s}\n  forward:\n    bus"));
    expect_faults(wire, {{10, "sensors.heatsink.allowed_age", "2.5 s is less than the bus 'wire' can keep"}});
    CHECK(wire.faults[0].expected == "at least 2.6 s: 2 conversions of 800 ms and the period of 1 s");
    // Converter: two periods of 20 ms and three slots (forward twice) of 3 ms make 49 ms, computed.
    const std::string slow = spoiled(
        "    valid: 0.35 V .. 2.2 V\n    detector: {slope: -24.4 mV/dB, intercept: 19.6 dBm, "
        "floor: -50 dBm, ceiling: 5 dBm}\n    coupling: 40 dB\n    pads",
        "    valid: 0.35 V .. 2.2 V\n    detector: {slope: -24.4 mV/dB, intercept: 19.6 dBm, "
        "floor: -50 dBm, ceiling: 5 dBm}\n    coupling: 40 dB\n    pads");
    const Loaded adc = load_configuration(
        spoiled(slow, "role: forward\n    allowed_age: 100 ms", "role: forward\n    allowed_age: 48 ms"));
    expect_faults(adc, {{16, "sensors.forward.allowed_age", "48 ms is less than the bus 'adc' can keep"}});
    CHECK(adc.faults[0].expected == "at least 49 ms: two periods of 20 ms and 3 conversions of 3 ms");
    expect_no_faults(
        load_configuration(spoiled("role: forward\n    allowed_age: 100 ms", "role: forward\n    allowed_age: 49 ms")));
}

TEST_CASE("without reflected there is no second forward slot") {
    std::string text{sample_text};
    const auto cut = [&](std::string_view from, std::string_view until) {
        const std::size_t begin = text.find(from), end = text.find(until, begin);
        REQUIRE(end != std::string::npos);
        text.erase(begin, end - begin);
    };
    cut("  reflected:\n    bus", "  supply: {bus");
    cut("  vswr:\n", "  reflected: {watch");
    cut("  reflected: {watch", "mqtt:");
    text = accepting(text, "no-supply-limit, no-reflected-limit");
    const Loaded loaded = load_configuration(text);
    expect_no_faults(loaded);
    REQUIRE(loaded.configuration);
    CHECK(loaded.configuration->buses[1].slots.size() == 1);
    CHECK(loaded.configuration->plan.rf.forward_again_slot == 0);
}
