#include "configuration_sample.hpp"
#include "expect_faults.hpp"

using namespace dekeyd;
using namespace dekeyd::formats;

TEST_CASE("a detector without a live-zero window") {
    CHECK_FALSE(advised(load_configuration(sample_text), "live-zero"));
    const Loaded loaded =
        load_configuration(spoiled("    valid: 0.35 V .. 2.2 V\n    detector: {slope: -24.4 mV/dB, intercept: 19.6 "
                                   "dBm, floor: -50 dBm, ceiling: 5 dBm}\n"
                                   "    coupling: 40 dB\n    pads",
                                   "    detector: {slope: -24.4 mV/dB, intercept: 19.6 dBm, floor: -50 dBm, ceiling: 5 "
                                   "dBm}\n    coupling: 40 dB\n    pads"));
    expect_no_faults(loaded);
    CHECK(advised(loaded, "sensors.forward: no live-zero window"));
}

TEST_CASE("limits that are missed") {
    CHECK(advised(load_configuration(spoiled("  heatsink: {watch: heatsink, above: 70 degC, clear: 55 degC, qualify: 1 "
                                             "s, hold_off: 30 s, rearm: automatic}\n",
                                             "")),
                  "limits: no over-temperature limit"));
    CHECK(advised(load_configuration(spoiled("  reflected: {watch: reflected, above: 12 W, clear: rf off, qualify: 10 "
                                             "ms, hold_off: 1 s, rearm: latched}\n",
                                             "")),
                  "limits: no limit on reflected power itself"));
    // What watches only while commissioning protects nothing in service.
    CHECK(advised(load_configuration(spoiled(with_more("commissioning: {time: 20 min, forward: 12 W, reflected: 2 W, "
                                                       "heatsink: 50 degC}\n"),
                                             "  reflected: {watch: reflected, above: 12 W, clear: rf off, qualify: 10 "
                                             "ms, hold_off: 1 s, rearm: latched}\n",
                                             "")),
                  "limits: no limit on reflected power itself"));
    const Loaded plain = load_configuration(sample_text);
    CHECK_FALSE(advised(plain, "no over-temperature"));
    CHECK_FALSE(advised(plain, "no limit on"));
}

TEST_CASE("a lost forward cable is invisible where neither drive nor current is measured") {
    CHECK(advised(load_configuration(sample_text), "a lost cable to the forward detector is invisible"));
    const Loaded with_current = load_configuration(spoiled(
        "amplifier:\n",
        "  current: {bus: psu, address: curr1, measures: current, role: current, allowed_age: 500 ms}\namplifier:\n"));
    expect_no_faults(with_current);
    CHECK_FALSE(advised(with_current, "invisible"));
}

TEST_CASE("a proof test that can never run is said where one is asked for from time to time") {
    const Loaded never = load_configuration(with_more("proof: {every: 90 d}\n"));
    expect_no_faults(never);
    CHECK(advised(never, "proof.every: no proof test can ever pass here: neither is drive measured"));
    CHECK_FALSE(advised(load_configuration(sample_text), "proof"));  // nobody asked for one
    CHECK_FALSE(advised(load_configuration(spoiled(
                            with_more("proof: {every: 90 d}\n"), "amplifier:\n",
                            "  drive: {bus: adc, address: voltage2, measures: power, role: drive, allowed_age: 100 "
                            "ms, detector: {like: forward}, coupling: 20 dB}\namplifier:\n  maximum_drive: 2 W\n")),
                        "proof"));
}

TEST_CASE("what the numbers can't bear") {
    CHECK(advised(load_configuration(spoiled("  directivity: 30 dB\n", "")), "amplifier.directivity: not given"));
    // 5 dBm + 50.5 dB = 55.5 dBm = 354.8 W, computed.
    const Loaded loaded = load_configuration(spoiled("rated_forward: 120 W", "rated_forward: 400 W"));
    CHECK(advised(loaded, "amplifier.rated_forward: the forward chain can tell no more than 354.8 W"));
}

TEST_CASE("advice comes in the order of the text, and with the configuration") {
    const Loaded loaded = load_configuration(
        spoiled("{driver: gpio, chip: soc, line: GPIO17, permit: high}", "{driver: file, path: /tmp/line}"));
    REQUIRE(loaded.configuration);
    REQUIRE(loaded.advice.size() >= 2);
    for (std::size_t i = 1; i < loaded.advice.size(); ++i) CHECK(loaded.advice[i - 1].line <= loaded.advice[i].line);
    CHECK(loaded.configuration->advice.size() == loaded.advice.size());
}
