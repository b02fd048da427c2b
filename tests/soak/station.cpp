#include "soak/station.hpp"

#include <cstdio>
#include <cstdlib>
#include <string_view>

namespace dekeyd::soak {
namespace {

constexpr std::string_view configuration_text = R"(dekeyd: 1
device: {id: soak, name: Long run}
guard: {period: 10 ms, deadline: 200 ms, settling: 2 s, hold_off: 5 s, after_start: permit}
line: {driver: file, path: /nowhere}
contactor: {driver: file, path: /elsewhere}
paths: {state: FOLDER/state, run: FOLDER/run}
buses:
  wire: {driver: w1, period: 1 s}
  adc: {driver: iio, device: ads1015, period: 10 ms, codes: -32768 .. 32767}
  psu: {driver: hwmon, device: ltc4151, period: 170 ms, conversion: 84 ms}  # two make the driver's own pace
  fans: {driver: hwmon, device: pwmfan, period: 500 ms}
  probe: {driver: iio, device: mcp3202, period: 10 ms, conversion: 1 ms, codes: 0 .. 4095}
  pads: {driver: contact, chip: soc, period: 10 ms}
sensors:
  heatsink: {bus: wire, address: 28-0000000000a1, measures: temperature, role: heatsink, allowed_age: 6 s,
             valid: -40 degC .. 120 degC, largest_jump: 5 K}
  ambient: {bus: wire, address: 10-0000000000a2, measures: temperature, role: ambient, allowed_age: 6 s, required: no,
            valid: -20 degC .. 60 degC}
  flange: {bus: wire, address: 28-0000000000a3, measures: temperature, allowed_age: 6 s, valid: -40 degC .. 124 degC,
           largest_jump: 20 K}
  forward: {bus: adc, address: voltage0, role: forward, coupling: 40 dB, pads: 10 dB, cable: 0.5 dB, DETECTOR,
            drift: {sensor: ambient, coefficient: 0.06 dB/K, reference: 20 degC}}
  reflected: {bus: adc, address: voltage1, role: reflected, coupling: 40 dB, pads: 10 dB, cable: 0.5 dB, DETECTOR}
  drive: {bus: adc, address: voltage2, role: drive, coupling: 20 dB, pads: 16 dB, cable: 0.3 dB, DETECTOR}
  supply: {bus: psu, address: in1, measures: voltage, role: supply, allowed_age: 1 s, valid: -1 V .. 60 V}
  current: {bus: psu, address: curr1, measures: current, role: current, allowed_age: 1 s, valid: -1 A .. 40 A}
  fan: {bus: fans, address: fan1, measures: speed, role: fan, allowed_age: 3 s}
  exciter: {bus: probe, address: voltage0, measures: power, allowed_age: 500 ms, valid: -20 mV .. 2.4 V,
            detector: {square_law: 2 V/mW, floor: -28 dBm, ceiling: 0.5 dBm}, coupling: 20 dB, pads: 20 dB,
            cable: 0.4 dB}
  contacts: {bus: pads, address: CONTACTOR, measures: contact, normally: closed, role: contactor_sense,
             allowed_age: 200 ms}
  lid: {bus: pads, address: LID, measures: contact, normally: closed, allowed_age: 200 ms, rearm: automatic,
        hold_off: 5 s}
  leak: {bus: pads, address: LEAK, measures: contact, normally: open, allowed_age: 200 ms}
amplifier: {rated_forward: 120 W, minimum_forward: 6 W, rf_present: 1 W, maximum_drive: 2.5 W, drive_absent: 50 mW,
            nominal_supply: 28 V, maximum_current: 14 A, directivity: 30 dB, feeder_loss: 0.8 dB,
            small_signal_gain: 18 dB}
plausibility: {best_return_loss: 35 dB, current_with_rf: 3 A}
limits:
  heatsink: {watch: heatsink, above: 70 degC, clear: 55 degC, warn: 65 degC, qualify: 1 s, hold_off: 30 s,
             rearm: automatic}
  flange: {watch: flange, above: 112 degC, clear: 95 degC, qualify: 1 s, hold_off: 10 s, rearm: automatic}
  vswr: {watch: vswr, above: 2.0, clear: rf off, warn: 1.7, qualify: 20 ms, hold_off: 1 s, rearm: latched,
         while: {quantity: forward, above: 6 W}}
  reflected: {watch: reflected, above: 24 W, clear: rf off, qualify: 10 ms, hold_off: 1 s, rearm: latched}
  drive: {watch: drive, above: 2.5 W, clear: 2.0 W, qualify: 10 ms, hold_off: 5 s, rearm: automatic}
  exciter: {watch: exciter, above: 2.6 W, clear: 2.1 W, qualify: 10 ms, hold_off: 5 s, rearm: automatic}
  forward: {watch: forward, above: 130 W, clear: rf off, qualify: 30 ms, hold_off: 5 s, rearm: automatic}
  supply-high: {watch: supply, above: +10 %, clear: +5 %, qualify: 100 ms, hold_off: 5 s, rearm: automatic}
  supply-low: {watch: supply, below: -15 %, clear: -7 %, qualify: 500 ms, hold_off: 5 s, rearm: automatic}
  current: {watch: current, above: 14 A, clear: rf off, qualify: 50 ms, hold_off: 5 s, rearm: latched}
commissioning: {time: 10 min, forward: 12 W, reflected: 2 W, heatsink: 50 degC}
lockout: {trips: 5, window: 10 min, unclean_starts: 3, unclean_window: 15 min}
)";
constexpr std::string_view detector_text =
    "measures: power, allowed_age: 500 ms, valid: 0.29 V .. 1.9 V, frozen_after: 2 s, frozen: fault, "
    "detector: {slope: -24.4 mV/dB, intercept: 19.6 dBm, floor: -50 dBm, ceiling: 5 dBm}";

void replace_all(std::string& text, std::string_view word, std::string_view by) {
    for (std::size_t at = 0; (at = text.find(word, at)) != std::string::npos; at += by.size())
        text.replace(at, word.size(), by);
}

}  // namespace

formats::Configuration station(const std::string& folder) {
    std::string text{configuration_text};
    replace_all(text, "DETECTOR", detector_text);
    replace_all(text, "FOLDER", folder);
    formats::Loaded loaded = formats::load_configuration(text);
    for (const formats::Fault& fault : loaded.faults) std::fputs(formats::render("soak", text, fault).c_str(), stderr);
    if (!loaded.configuration) std::exit(2);
    return std::move(*loaded.configuration);
}

}  // namespace dekeyd::soak
