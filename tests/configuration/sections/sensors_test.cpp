#include "configuration_sample.hpp"
#include "expect_faults.hpp"

using namespace dekeyd;
using namespace dekeyd::formats;
using namespace std::chrono_literals;

namespace {

/// The sample with one more sensor, on line 32.
std::string with_sensor(std::string_view line) {
    return spoiled("amplifier:\n", "  " + std::string{line} + "\namplifier:\n");
}

}  // namespace

TEST_CASE("faults of a sensor, several at once") {
    expect_faults(load_configuration(with_sensor("X: {bus: nowhere, adress: in2, measures: volts, alowed_age: 1}")),
                  {{32, "sensors.X", "'X' is no id"},
                   {32, "sensors.X.bus", "there is no bus 'nowhere'"},
                   {32, "sensors.X.adress", "the key 'adress' is not known here"},
                   {32, "sensors.X.measures", "'volts' is none of the words"},
                   {32, "sensors.X.alowed_age", "the key 'alowed_age' is not known here"}});
    const Loaded near =
        load_configuration(with_sensor("x: {bus: pus, address: in2, measures: voltage, allowed_age: 1 s}"));
    expect_faults(near, {{32, "sensors.x.bus", "there is no bus 'pus'"}});
    CHECK(near.faults[0].expected == "did you mean 'psu'?");
}

TEST_CASE("address and kind fit the bus") {
    expect_faults(
        load_configuration(with_sensor("x: {bus: wire, address: 28-1, measures: temperature, allowed_age: 9 s}")),
        {{32, "sensors.x.address", "'28-1' is no address on the bus 'wire'"}});
    expect_faults(
        load_configuration(with_sensor("x: {bus: psu, address: voltage0, measures: voltage, allowed_age: 1 s}")),
        {{32, "sensors.x.address", "'voltage0' is no address on the bus 'psu'"}});
    expect_faults(load_configuration(with_sensor("x: {bus: psu, address: curr1, measures: voltage, allowed_age: 1 s}")),
                  {{32, "sensors.x.measures", "'voltage' can't be measured at 'curr1'"}});
    expect_faults(load_configuration(with_sensor("x: {bus: psu, address: power1, measures: power, allowed_age: 1 s}")),
                  {{32, "sensors.x.address", "'power1' is the power of a supply, not of RF"}});
}

TEST_CASE("each address once, and no name of a quantity that is worked out") {
    expect_faults(load_configuration(with_sensor("x: {bus: psu, address: in1, measures: voltage, allowed_age: 1 s}")),
                  {{32, "sensors.x.address", "'in1' is read by 'supply' already"}});
    expect_faults(
        load_configuration(with_sensor("vswr: {bus: psu, address: in2, measures: voltage, allowed_age: 1 s}")),
        {{32, "sensors.vswr", "'vswr' is the name of a quantity that is worked out"},
         {44, "limits.vswr.above", "'2.0' needs a unit"}});
}

TEST_CASE("forward and reflected share a bus, and reflected needs forward") {
    const Loaded apart =
        load_configuration(spoiled("    bus: adc\n    address: voltage1", "    bus: psu\n    address: in2"));
    expect_faults(apart, {{22, "sensors.reflected.bus", "reflected is on 'psu' and forward on 'adc'"},
                          {27, "sensors.reflected.allowed_age", "100 ms is less than the bus 'psu' can keep"}});
    const Loaded alone = load_configuration(spoiled("    role: forward\n", ""));
    REQUIRE_FALSE(alone.faults.empty());
    CHECK(alone.faults[0].key == "sensors.reflected");
    CHECK(alone.faults[0].what == "reflected power is measured and forward power is not");
}

TEST_CASE("windows and ages") {
    expect_faults(load_configuration(spoiled("allowed_age: 5 s}", "valid: 80 degC .. -20 degC}")),
                  {{10, "sensors.heatsink.allowed_age", "'allowed_age' is missing"},
                   {10, "sensors.heatsink.valid", "'80 degC .. -20 degC' has its low end"}});
    expect_faults(load_configuration(spoiled("allowed_age: 5 s}", "allowed_age: 5 s, valid: 0.2 V .. 2 V}")),
                  {{10, "sensors.heatsink.valid", "the low end: '0.2 V' is a voltage"}});
    expect_faults(load_configuration(spoiled("allowed_age: 5 s}", "allowed_age: 5 s, frozen: fault}")),
                  {{10, "sensors.heatsink.frozen", "'frozen: fault' without a time"}});
    const Loaded plain = load_configuration(sample_text);
    const core::Channel& heatsink = channel_of(plain, "heatsink");
    CHECK(heatsink.valid_low == -40.0);
    CHECK(heatsink.valid_high == 120.0);
    CHECK(heatsink.largest_jump == 5.0);
    CHECK(heatsink.power_on_value == 85.0);  // DS18B20 datasheet, table 1
    CHECK(heatsink.name == "Heatsink");
    CHECK(heatsink.required);
    CHECK(channel_of(plain, "supply").power_on_value == std::nullopt);
}

TEST_CASE("dividers and transducers") {
    const Loaded loaded = load_configuration(
        spoiled(with_sensor("bias: {bus: adc, address: voltage2, measures: voltage, gain: 11, allowed_age: 100 ms}"),
                "amplifier:\n",
                "  draw: {bus: adc, address: voltage3, measures: current, sensitivity: 40 mV/A, zero: 2.5 V, "
                "allowed_age: 100 ms}\n"
                "  board: {bus: psu, address: in2, measures: temperature, sensitivity: 10 mV/K, zero: 500 mV, "
                "allowed_age: 500 ms}\namplifier:\n"));
    expect_no_faults(loaded);
    CHECK(channel_of(loaded, "bias").gain == 11.0);
    CHECK(channel_of(loaded, "draw").gain == doctest::Approx(25.0));  // 1 / 0.04 V/A, computed
    CHECK(channel_of(loaded, "draw").zero == 2.5);
    CHECK(channel_of(loaded, "board").gain == doctest::Approx(100.0));
    expect_faults(
        load_configuration(with_sensor("x: {bus: adc, address: voltage3, measures: current, allowed_age: 1 s}")),
        {{32, "sensors.x.sensitivity", "'sensitivity' is missing"}});
    expect_faults(load_configuration(with_sensor(
                      "x: {bus: adc, address: voltage3, measures: current, sensitivity: 0 mV/A, allowed_age: 1 s}")),
                  {{32, "sensors.x.sensitivity", "'0 mV/A' is outside"}});
}

TEST_CASE("a contact has its limit made for it") {
    const std::string bus =
        spoiled("  psu: {driver", "  in: {driver: contact, chip: soc, period: 10 ms}\n  psu: {driver");
    const auto with_contact = [&](std::string_view rest) {
        return spoiled(bus, "amplifier:\n",
                       "  lid: {bus: in, address: GPIO23, measures: contact, allowed_age: 100 ms" + std::string{rest} +
                           "}\namplifier:\n");
    };
    const Loaded loaded = load_configuration(with_contact(""));
    expect_no_faults(loaded);
    const core::LimitPlan& limit = limit_of(loaded, "lid-opened");
    CHECK(limit.name == "Lid: contact opened");
    CHECK(limit_of(load_configuration(with_contact(", normally: open")), "lid-opened").name == "Lid: contact closed");
    CHECK(limit.direction == core::Direction::below);
    CHECK(limit.trip == 0.5);
    CHECK(limit.clear == 0.75);
    CHECK(limit.qualify == core::Duration{0});
    CHECK(limit.hold_off == 1s);
    CHECK(limit.rearm == core::Rearm::latched);
    CHECK(loaded.configuration->buses[2].slots[0].chip == "soc");
    CHECK(loaded.configuration->buses[2].slots[0].normally_closed);

    const Loaded status = load_configuration(with_contact(", interlock: no"));
    expect_no_faults(status);
    CHECK(status.configuration->plan.limits.size() == 3);
    const Loaded key = load_configuration(with_contact(", role: key_sense, normally: open"));
    expect_no_faults(key);
    CHECK(key.configuration->plan.limits.size() == 3);
    CHECK_FALSE(key.configuration->buses[2].slots[0].normally_closed);
    expect_faults(load_configuration(with_contact(", role: enable_sense, interlock: yes")),
                  {{33, "sensors.lid.interlock", "'enable_sense' is a status and can't be an interlock"}});
    expect_faults(load_configuration(spoiled(with_contact(""), "chip: soc, period", "period")), {});
    expect_faults(load_configuration(spoiled(spoiled(with_contact(""), "chip: soc, period", "period"), "GPIO23", "23")),
                  {{33, "sensors.lid.address", "'23' is an offset"}});
    expect_faults(load_configuration(spoiled(with_contact(""), "  reflected: {watch",
                                             "  lid-opened: {watch: heatsink, above: 80 degC, clear: 70 degC}\n"
                                             "  reflected: {watch")),
                  {{33, "sensors.lid", "the limit 'lid-opened' is made for this contact"}});
}
