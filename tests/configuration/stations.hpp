// Two complete stations, far from the demonstration's in power and in frequency, on real outputs: 5 W at 10 GHz, with
// every key that has a range, and 1 kW at 50 MHz. Invented.
#pragma once

#include <string_view>

inline constexpr std::string_view five_watts = R"(dekeyd: 1
device: {id: dish, name: Beacon at the dish}
guard: {period: 5 ms, deadline: 50 ms, settling: 2 s, hold_off: 2 s, cpu: 1}
line: {driver: gpio, chip: soc, line: GPIO17, permit: high}
contactor: {driver: gpio, chip: soc, line: GPIO18, permit: high}
buses:
  wire: {driver: w1, period: 1 s, bits: 12, conversion: 800 ms}
  adc: {driver: iio, device: ads1015, period: 5 ms, conversion: 500 us, codes: -2048 .. 2047}
  psu: {driver: hwmon, device: ltc4151, period: 50 ms, conversion: 1 ms}
  contacts: {driver: contact, chip: soc, period: 5 ms, conversion: 100 us}
stages: {driver: {name: Driver, nominal_supply: 5 V}}
sensors:
  heatsink:
    {bus: wire, address: 28-000000000001, measures: temperature, role: heatsink, allowed_age: 4 s,
     valid: -40 degC .. 120 degC, largest_jump: 5 K, power_on_value: 85 degC, frozen_after: 10 min}
  forward:
    {bus: adc, address: voltage0, measures: power, role: forward, allowed_age: 50 ms, valid: 0.3 V .. 2.2 V,
     detector: {slope: -22 mV/dB, intercept: 20 dBm, floor: -55 dBm, ceiling: 0 dBm}, coupling: 30 dB, pads: 10 dB,
     cable: 0.5 dB, waveform: 0 dB, drift: {sensor: heatsink, coefficient: 0.01 dB/K, reference: 25 degC},
     uncertainty: {conformance: 1 dB, calibration: 0.2 dB, coupling: 0.3 dB, converter: 0.1 dB, temperature: 0.3 dB, mismatch: 0.2 dB}}
  reflected:
    {bus: adc, address: voltage1, measures: power, role: reflected, allowed_age: 50 ms, valid: 0.3 V .. 2.2 V,
     detector: {table: [{at: -55 dBm, volts: 1.65 V}, {at: 0 dBm, volts: 0.44 V}], floor: -55 dBm, ceiling: 0 dBm},
     coupling: 30 dB, pads: 10 dB}
  drive:
    {bus: adc, address: voltage2, measures: power, role: drive, allowed_age: 50 ms, valid: -20 mV .. 2.2 V,
     detector: {square_law: 2 V/mW, floor: -28 dBm, ceiling: 0 dBm}, coupling: 20 dB}
  supply: {bus: psu, address: in1, measures: voltage, role: supply, allowed_age: 300 ms, gain: 2, zero: 0 V, valid: 1 V .. 20 V}
  current:
    {bus: adc, address: voltage3, measures: current, role: current, allowed_age: 100 ms, sensitivity: 400 mV/A,
     zero: 0.5 V, valid: 0.4 V .. 3 V}
  air: {bus: adc, address: voltage4, measures: temperature, role: ambient, allowed_age: 4 s, sensitivity: 10 mV/K, zero: 0.5 V}
  fan: {bus: psu, address: fan1, measures: speed, role: fan, allowed_age: 3 s, valid: 0 rpm .. 9000 rpm}
  bias: {bus: psu, address: curr1, measures: current, allowed_age: 300 ms, gain: 1, zero: 0 A, valid: -1 A .. 5 A}
  driver-supply: {bus: psu, address: in2, measures: voltage, role: supply, stage: driver, allowed_age: 300 ms}
  lid: {bus: contacts, address: GPIO23, measures: contact, allowed_age: 100 ms, hold_off: 5 s, rearm: automatic}
emission: {kind: carrier, back_off: 3 dB}
amplifier:
  {frequency: 10.368 GHz, rated_forward: 5 W, minimum_forward: 250 mW, rf_present: 50 mW, maximum_drive: 100 mW,
   drive_absent: 2 mW, nominal_supply: 12 V, maximum_current: 2.5 A, directivity: 25 dB, feeder_loss: 0.5 dB,
   small_signal_gain: 18 dB, gain_drift: -0.02 dB/K, gain_reference: 25 degC, one_db_forward: 5 W, main_line_loss: 0.2 dB,
   release_time: 50 ms, hang_time: 1 s, edge_time: 10 ms}
main_line: [amplifier, circulator, coupler, feeder, antenna]
circulator: {load_rating: 5 W, load_time: 10 s}
heat: {full_fan: 2400 rpm, quiescent_power: 12 W, planned_transmission: 30 min}
antenna: {dish: {diameter: 90 cm, efficiency: 55 %}, duty: 100 %}
exposure: {limit: 10 W/m2, ground_reflection: 1}
plan:
  {wanted_forward: 4 W, exciter: {lowest: -20 dBm, highest: 17 dBm},
   parts: [{name: Cable, loss: 1 dB, maximum_input: 30 dBm, one_db_output: 30 dBm}, {name: Driver, gain: 3 dB}],
   ambient: 20 degC, thermal_resistance: 1 K/W, efficiency: 20 %}
limits:
  driver-supply: {watch: driver-supply, above: +10 %, clear: +5 %, qualify: 20 ms, hold_off: 5 s, rearm: automatic}
  heatsink: {watch: heatsink, above: 70 degC, clear: 55 degC, warn: 65 degC, qualify: 1 s, hold_off: 30 s, rearm: automatic}
  vswr:
    {watch: vswr, above: 2.5, clear: rf off, warn: 2, qualify: 20 ms, hold_off: 1 s, rearm: latched,
     while: {quantity: forward, above: 250 mW}}
  reflected: {watch: reflected, above: 0.5 W, clear: rf off, qualify: 10 ms, hold_off: 1 s, rearm: latched}
  drive: {watch: drive, above: 100 mW, clear: 80 mW, qualify: 10 ms, hold_off: 5 s, rearm: automatic}
  supply-high: {watch: supply, above: 13.2 V, clear: 12.6 V, qualify: 100 ms, hold_off: 5 s, rearm: automatic}
  supply-low: {watch: supply, below: 10.2 V, clear: 11.2 V, qualify: 500 ms, hold_off: 5 s, rearm: automatic}
  current: {watch: current, above: 2.5 A, clear: rf off, qualify: 50 ms, hold_off: 1 s, rearm: latched}
  fan:
    {watch: fan, below: 500 rpm, clear: 800 rpm, qualify: 10 s, hold_off: 30 s, rearm: automatic,
     while: {quantity: heatsink, above: 45 degC}}
supervision:
  {contactor_time: 500 ms, longest_transmission: 12 h, transmission_warning: 5 min}
commissioning: {time: 30 min, forward: 1 W, reflected: 250 mW, heatsink: 50 degC}
plausibility:
  {switching_time: 100 ms, qualify: 500 ms, current_with_rf: 1 A, best_return_loss: 35 dB,
   heating: {power: 15 W, rise: 2 K, time: 5 min}}
proof: {every: 90 d}
recorder: {before: 10 s, after: 5 s, captures: 100, megabytes: 64}
lockout: {trips: 3, window: 10 min, unclean_starts: 3, unclean_window: 15 min}
mqtt: {host: 127.0.0.1, port: 1883, fastest: 500 ms, slowest: 30 s}
signal:
  shoulder_attenuation: {topic: receiver/shoulders, warn_below: 40 dB, allowed_age: 30 s}
  modulation_error_ratio: {topic: receiver/mer, warn_below: 20 dB, allowed_age: 30 s}
)";

inline constexpr std::string_view one_kilowatt = R"(dekeyd: 1
device: {id: six-metres, name: Six metres}
line: {driver: gpio, chip: soc, line: GPIO17, permit: high}
buses:
  wire: {driver: w1, period: 1 s}
  adc: {driver: iio, device: ads1015, period: 10 ms, codes: -32768 .. 32767}
  psu: {driver: hwmon, device: ltc4151, period: 100 ms}
sensors:
  heatsink: {bus: wire, address: 28-000000000001, measures: temperature, role: heatsink, allowed_age: 5 s}
  forward:
    {bus: adc, address: voltage0, measures: power, role: forward, allowed_age: 100 ms, valid: 0.3 V .. 2.6 V,
     detector: {slope: 25 mV/dB, intercept: -84 dBm, floor: -65 dBm, ceiling: 10 dBm}, coupling: 50 dB, pads: 10 dB}
  reflected:
    {bus: adc, address: voltage1, measures: power, role: reflected, allowed_age: 100 ms, valid: 0.3 V .. 2.6 V,
     detector: {slope: 25 mV/dB, intercept: -84 dBm, floor: -65 dBm, ceiling: 10 dBm}, coupling: 50 dB, pads: 10 dB}
  drive:
    {bus: adc, address: voltage2, measures: power, role: drive, allowed_age: 100 ms, valid: 0.3 V .. 2.6 V,
     detector: {slope: 25 mV/dB, intercept: -84 dBm, floor: -65 dBm, ceiling: 10 dBm}, coupling: 20 dB, pads: 20 dB}
  supply: {bus: psu, address: in1, measures: voltage, role: supply, allowed_age: 500 ms, valid: 1 V .. 80 V}
amplifier:
  {frequency: 50.3 MHz, rated_forward: 1 kW, minimum_forward: 50 W, rf_present: 5 W, maximum_drive: 5 W,
   drive_absent: 100 mW, nominal_supply: 50 V, directivity: 30 dB, feeder_loss: 0.5 dB, release_time: 30 ms}
limits:
  heatsink: {watch: heatsink, above: 75 degC, clear: 60 degC, qualify: 1 s, hold_off: 1 min, rearm: automatic}
  vswr:
    {watch: vswr, above: 2.0, clear: rf off, qualify: 20 ms, hold_off: 1 s, rearm: latched,
     while: {quantity: forward, above: 50 W}}
  reflected: {watch: reflected, above: 100 W, clear: rf off, qualify: 20 ms, hold_off: 1 s, rearm: latched}
  drive: {watch: drive, above: 5 W, clear: 4 W, qualify: 20 ms, hold_off: 5 s, rearm: automatic}
  supply-high: {watch: supply, above: +10 %, clear: +5 %, qualify: 100 ms, hold_off: 5 s, rearm: automatic}
)";
