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

TEST_CASE("bits and common conversion of thermometers") {
    const auto wire = [](std::string_view keys) {
        return load_configuration(spoiled("driver: w1, period: 1 s", fmt::format("driver: w1, period: 1 s{}", keys)));
    };
    const auto first_bus = [](const Loaded& loaded) {
        expect_no_faults(loaded);
        return loaded.configuration->buses[0];
    };
    CHECK(first_bus(wire("")).conversion == 800ms);
    CHECK_FALSE(first_bus(wire("")).convert_together);
    CHECK_FALSE(first_bus(wire("")).bits);
    CHECK(first_bus(wire(", convert_together: yes")).convert_together);
    // DS18B20 data sheet: 93.75 ms, 187.5 ms, 375 ms, 750 ms; 50 ms beside them.
    struct Row {
        int bits;
        core::Duration needs;
    };
    for (const Row& row : {Row{9, 94ms}, Row{10, 188ms}, Row{11, 375ms}, Row{12, 750ms}}) {
        CAPTURE(row.bits);
        CHECK(first_bus(wire(fmt::format(", bits: {}", row.bits))).conversion == row.needs + 50ms);
        CHECK(first_bus(wire(fmt::format(", bits: {}, conversion: {} ms", row.bits, row.needs / 1ms))).conversion ==
              row.needs);
        const Loaded less = wire(fmt::format(", bits: {}, conversion: {} ms", row.bits, row.needs / 1ms - 1));
        expect_faults(less, {{6, "buses.wire.conversion",
                              fmt::format("{} ms is less than {} bits take", row.needs / 1ms - 1, row.bits)}});
        CHECK(less.faults[0].expected == fmt::format("at least {0} ms; without it {1} ms are reckoned with",
                                                     row.needs / 1ms, row.needs / 1ms + 50));
    }
    expect_faults(wire(", bits: 8"), {{6, "buses.wire.bits", "'8' is outside"}});
    expect_faults(wire(", bits: 13"), {{6, "buses.wire.bits", "'13' is outside"}});
    expect_faults(load_configuration(spoiled("device: ads1015, period: 20 ms",
                                             "device: ads1015, period: 20 ms, convert_together: yes, bits: 12")),
                  {{7, "buses.adc.convert_together", "the key 'convert_together' is not known here"},
                   {7, "buses.adc.bits", "the key 'bits' is not known here"}});
}

TEST_CASE("parts that the kernel can't convert together, or set") {
    const auto wire = [](std::string_view keys, std::string_view id) {
        return load_configuration(spoiled(
            spoiled("driver: w1, period: 1 s", fmt::format("driver: w1, period: 1 s{}", keys)), "28-000000000001", id));
    };
    expect_no_faults(wire(", bits: 12", "42-000000000001"));
    expect_no_faults(wire(", convert_together: yes", "10-000000000001"));
    expect_faults(wire(", convert_together: yes", "42-000000000001"),
                  {{10, "sensors.heatsink.address", "the kernel doesn't let a DS28EA00 convert together with others"}});
    expect_faults(wire(", bits: 12", "10-000000000001"),
                  {{10, "sensors.heatsink.address", "a DS18S20 has no bits to be set"}});
}

TEST_CASE("an allowed age that a common conversion can't keep") {
    const auto wire = [](std::string_view bus, std::string_view age) {
        return load_configuration(spoiled(spoiled("driver: w1, period: 1 s", bus), "allowed_age: 5 s}",
                                          fmt::format("allowed_age: {}}}", age)));
    };
    // A reading is as old as its conversion: 820 ms when it is handed over, and a round of 1 s more at the next.
    const std::string_view slow = "driver: w1, period: 1 s, convert_together: yes";
    expect_no_faults(wire(slow, "1820 ms"));
    const Loaded young = wire(slow, "1819 ms");
    expect_faults(young, {{10, "sensors.heatsink.allowed_age", "1.819 s is less than the bus 'wire' can keep"}});
    CHECK(young.faults[0].expected ==
          "at least 1.82 s: a conversion of 800 ms with a reading of 20 ms, and the period of 1 s");
    // A pass that takes longer than the period follows the one before without a rest.
    const std::string_view quick = "driver: w1, period: 100 ms, convert_together: yes, bits: 9";
    expect_no_faults(wire(quick, "328 ms"));
    const Loaded younger = wire(quick, "327 ms");
    expect_faults(younger, {{10, "sensors.heatsink.allowed_age", "327 ms is less than the bus 'wire' can keep"}});
    CHECK(younger.faults[0].expected ==
          "at least 328 ms: a conversion of 144 ms with a reading of 20 ms, and the same again");
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
