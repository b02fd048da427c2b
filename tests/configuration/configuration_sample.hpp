// A small good configuration, one section a block, for tests that spoil one place of it.
#pragma once

#include <doctest/doctest.h>

#include <algorithm>
#include <string>
#include <string_view>

#include "configuration/configuration.hpp"

inline constexpr std::string_view sample_text = R"(dekeyd: 1
device: {id: bench, name: Bench}
guard: {period: 20 ms}
line: {driver: gpio, chip: soc, line: GPIO17, permit: high}
buses:
  wire: {driver: w1, period: 1 s}
  adc: {driver: iio, device: ads1015, period: 20 ms, codes: -32768 .. 32767}
  psu: {driver: hwmon, device: ltc4151, period: 100 ms}
sensors:
  heatsink: {bus: wire, address: 28-000000000001, measures: temperature, role: heatsink, allowed_age: 5 s}
  forward:
    bus: adc
    address: voltage0
    measures: power
    role: forward
    allowed_age: 100 ms
    valid: 0.35 V .. 2.2 V
    detector: {slope: -24.4 mV/dB, intercept: 19.6 dBm, floor: -50 dBm, ceiling: 5 dBm}
    coupling: 40 dB
    pads: 10 dB
    cable: 0.5 dB
  reflected:
    bus: adc
    address: voltage1
    measures: power
    role: reflected
    allowed_age: 100 ms
    valid: 0.35 V .. 2.2 V
    detector: {slope: -24.4 mV/dB, intercept: 19.6 dBm, floor: -50 dBm, ceiling: 5 dBm}
    coupling: 40 dB
  supply: {bus: psu, address: in1, measures: voltage, role: supply, allowed_age: 500 ms}
amplifier:
  rated_forward: 120 W
  minimum_forward: 6 W
  rf_present: 1 W
  directivity: 30 dB
  feeder_loss: 0.8 dB
  release_time: 100 ms
limits:
  heatsink: {watch: heatsink, above: 70 degC, clear: 55 degC, qualify: 1 s, hold_off: 30 s, rearm: automatic}
  vswr:
    watch: vswr
    above: 2.0
    clear: rf off
    qualify: 20 ms
    hold_off: 1 s
    rearm: latched
    while: {quantity: forward, above: 6 W}
  reflected: {watch: reflected, above: 12 W, clear: rf off, qualify: 10 ms, hold_off: 1 s, rearm: latched}
mqtt: {host: 127.0.0.1}
accept: [no-supply-limit]
)";

/// `from` becomes `to`; it must be there once.
inline std::string spoiled(std::string_view text, std::string_view from, std::string_view to) {
    std::string result{text};
    const std::size_t at = result.find(from);
    CAPTURE(from);
    REQUIRE(at != std::string::npos);
    REQUIRE(result.find(from, at + 1) == std::string::npos);
    result.replace(at, from.size(), to);
    return result;
}
inline std::string spoiled(std::string_view from, std::string_view to) {
    return spoiled(sample_text, from, to);
}

/// The text with other words that it accepts than the sample's; none: no `accept:` at all.
inline std::string accepting(std::string_view text, std::string_view words) {
    return spoiled(text, "accept: [no-supply-limit]\n", words.empty() ? "" : "accept: [" + std::string{words} + "]\n");
}

/// The sample with lines added at its end.
inline std::string with_more(std::string_view lines) {
    return std::string{sample_text} + std::string{lines};
}

/// The sample with a driver of its own temperature, supply, current and fan, and an amplifier with two supplies and two
/// fans; a limit on each.
inline std::string driven_sample() {
    std::string text = spoiled(
        "amplifier:\n", R"(  supply-2: {bus: psu, address: in2, measures: voltage, role: supply, allowed_age: 500 ms}
  current: {bus: psu, address: curr1, measures: current, role: current, supply: supply, allowed_age: 500 ms}
  current-2: {bus: psu, address: curr2, measures: current, role: current, supply: supply-2, allowed_age: 500 ms}
  fan: {bus: psu, address: fan1, measures: speed, role: fan, allowed_age: 3 s}
  fan-2: {bus: psu, address: fan2, measures: speed, role: fan, allowed_age: 3 s}
  driver-heatsink: {bus: wire, address: 28-000000000002, measures: temperature, role: heatsink, name: Heatsink, stage: driver, allowed_age: 5 s}
  driver-supply: {bus: psu, address: in3, measures: voltage, role: supply, stage: driver, allowed_age: 500 ms}
  driver-current: {bus: psu, address: curr3, measures: current, role: current, stage: driver, allowed_age: 500 ms}
  driver-fan: {bus: psu, address: fan3, measures: speed, role: fan, stage: driver, allowed_age: 3 s}
amplifier:
  nominal_supply: 28 V
  maximum_current: 14 A
)");
    text =
        spoiled(text, "mqtt: {host",
                R"(  supply: {watch: supply, above: +10 %, clear: +5 %, qualify: 20 ms, hold_off: 5 s, rearm: automatic}
  supply-2: {watch: supply-2, above: +10 %, clear: +5 %, qualify: 20 ms, hold_off: 5 s, rearm: automatic}
  current-2: {watch: current-2, above: 8 A, clear: rf off, qualify: 50 ms, hold_off: 1 s, rearm: latched}
  fan: {watch: fan, below: 300 rpm, clear: 450 rpm, qualify: 10 s, hold_off: 30 s, rearm: automatic}
  fan-2: {watch: fan-2, below: 300 rpm, clear: 450 rpm, qualify: 10 s, hold_off: 30 s, rearm: automatic}
  driver-heatsink: {name: Heatsink too hot, watch: driver-heatsink, above: 60 degC, clear: 50 degC, qualify: 1 s, hold_off: 30 s, rearm: automatic}
  driver-supply: {watch: driver-supply, above: +10 %, clear: +5 %, qualify: 20 ms, hold_off: 5 s, rearm: automatic}
  driver-current: {watch: driver-current, above: 4 A, clear: rf off, qualify: 50 ms, hold_off: 1 s, rearm: latched}
  driver-fan: {watch: driver-fan, below: 600 rpm, clear: 900 rpm, qualify: 10 s, hold_off: 30 s, rearm: automatic}
stages:
  driver: {name: Driver, nominal_supply: 12 V}
mqtt: {host)");
    return accepting(text, "");
}

inline const dekeyd::core::LimitPlan& limit_of(const dekeyd::formats::Loaded& loaded, std::string_view id) {
    REQUIRE(loaded.configuration);
    const auto& limits = loaded.configuration->plan.limits;
    const auto found = std::find_if(limits.begin(), limits.end(), [&](const auto& limit) { return limit.id == id; });
    REQUIRE(found != limits.end());
    return *found;
}

inline const dekeyd::core::Channel& channel_of(const dekeyd::formats::Loaded& loaded, std::string_view id) {
    REQUIRE(loaded.configuration);
    const auto& channels = loaded.configuration->plan.channels;
    const auto found =
        std::find_if(channels.begin(), channels.end(), [&](const auto& channel) { return channel.id == id; });
    REQUIRE(found != channels.end());
    return *found;
}

inline bool advised(const dekeyd::formats::Loaded& loaded, std::string_view words) {
    return std::any_of(loaded.advice.begin(), loaded.advice.end(), [&](const auto& advice) {
        return (advice.key + ": " + advice.what).find(words) != std::string::npos;
    });
}
