#include "soak/instruments.hpp"

#include <fmt/format.h>

#include <array>
#include <cmath>
#include <string>

#include "drivers/sensing.hpp"
#include "soak/station.hpp"

namespace dekeyd::soak {
namespace {

using core::Fault;
using namespace std::chrono_literals;

constexpr double rest_volts = 1.75;
constexpr double volts_per_db = 0.0244;

/// w1_slave of a DS18S20 by Maxim's data sheet and the kernel's w1_therm: half degrees, and the rest by COUNT_REMAIN
/// of 16.
std::string older_part(double celsius) {
    const double whole = std::floor(celsius + 0.25);
    const auto remain = static_cast<unsigned>(16.0 - std::floor((celsius - whole + 0.25) * 16.0));
    const auto raw = static_cast<std::uint16_t>(static_cast<int>(whole) * 2);
    std::array<std::uint8_t, 9> bytes{static_cast<std::uint8_t>(raw & 0xff),
                                      static_cast<std::uint8_t>(raw >> 8),
                                      0x4b,
                                      0x46,
                                      0xff,
                                      0xff,
                                      static_cast<std::uint8_t>(remain),
                                      0x10,
                                      0};
    bytes[8] = core::crc8(bytes.data(), 8);
    std::string row;
    for (const std::uint8_t byte : bytes) row += fmt::format("{:02x} ", byte);
    const double millidegrees = whole * 1000.0 - 250.0 + (16.0 - remain) * 1000.0 / 16.0;
    return fmt::format("{}: crc={:02x} YES\n{}t={}\n", row, bytes[8], row, static_cast<long>(millidegrees));
}

std::string temperature_file(double celsius) {
    return fmt::format("{}\n", static_cast<long>(celsius * 1000.0));
}

void take(core::Sample& sample, const core::Sensed& sensed) {
    sample.value = sensed.value;
    sample.fault = sensed.fault;
}

/// What a chip's fault makes of a sample. False: the chip gives no answer at all.
bool answers(bench::ChipFault fault, core::Sample& sample, const core::Sample& before) {
    switch (fault) {
        case bench::ChipFault::absent:
        case bench::ChipFault::renumbered: sample.fault = Fault::absent; break;
        case bench::ChipFault::empty: sample.fault = Fault::empty; break;
        case bench::ChipFault::garbage: sample.fault = Fault::garbled; break;
        case bench::ChipFault::stuck: sample.value = before.value; break;
        case bench::ChipFault::jammed: return false;
        default: break;
    }
    return true;
}

}  // namespace

Instruments::Instruments(const formats::Configuration& configuration, bench::Bench& bench, Contacts& contacts)
    : configuration_{configuration}, bench_{bench} {
    for (const formats::BusConfig& bus : configuration.buses) {
        for (const formats::SlotConfig& slot : bus.slots) {
            if (bus.driver != formats::BusDriver::contact) continue;
            contacts_[slot.address] = drivers::make_gpio_contact(
                {.chip = slot.chip, .line = slot.address, .normally_closed = slot.normally_closed}, contacts.gpio());
        }
        samples_.emplace_back(bus.slots.size());
        next_ns_.push_back(0);
    }
}

void Instruments::look(core::Instant now, std::vector<core::Scan>& scans) {
    const std::int64_t now_ns = now.time_since_epoch().count();
    bool asked = false;
    for (std::size_t i = 0; i < samples_.size(); ++i) {
        if (now_ns < next_ns_[i]) continue;
        if (!asked) faults_ = bench_.showing();
        asked = true;
        const formats::BusConfig& bus = configuration_.buses[i];
        next_ns_[i] = now_ns + bus.period.count();
        if (bus.driver == formats::BusDriver::w1) ++rounds_;
        bool hangs = false;
        for (std::size_t slot = 0; slot < bus.slots.size(); ++slot)
            hangs = !read(bus, bus.slots[slot].address, now, samples_[i][slot]) || hangs;
        if (!hangs) scans.push_back({.sampler = static_cast<std::uint16_t>(i), .samples = samples_[i]});
    }
}

bool Instruments::read(const formats::BusConfig& bus, const std::string& address, core::Instant now,
                       core::Sample& sample) {
    const core::Sample before = sample;
    sample = {.value = 0.0, .begun = now - 1ms, .openings = 0, .fault = Fault::none};
    switch (bus.driver) {
        case formats::BusDriver::w1: return thermometer(address.back(), sample, before);
        case formats::BusDriver::contact: return contact(address, sample);
        case formats::BusDriver::iio:
            if (bus.device == "mcp3202") return probe(sample);
            return converter(static_cast<std::size_t>(address.back() - '0'), sample, before);
        default: return chip(bus.device, address, sample, before);
    }
}

bool Instruments::thermometer(char which, core::Sample& sample, const core::Sample& before) {
    const bench::Registers& registers = bench_.amplifier().registers();
    if (which == '3') {
        const double celsius =
            lie == Lie::flange_power_on ? 85.0 : bench::ds18b20_sixteenths(bench_.amplifier().truth().device_c) / 16.0;
        take(sample, core::parse_w1_temperature(temperature_file(celsius)));
        return true;
    }
    const bool sink = which == '1';
    switch (sink ? faults_.heatsink : faults_.air) {
        case bench::SensorFault::absent:
        case bench::SensorFault::swapped: sample.fault = Fault::absent; return true;
        case bench::SensorFault::empty: sample.fault = Fault::empty; return true;
        case bench::SensorFault::garbage: sample.fault = Fault::garbled; return true;
        case bench::SensorFault::frozen: sample.value = before.value; return true;
        case bench::SensorFault::power_on: sample.value = 85.0; return true;
        case bench::SensorFault::crc:
        case bench::SensorFault::rf_noise: sample.fault = Fault::bad_crc; return true;
        case bench::SensorFault::shorted: sample.value = 0.0; return true;
        case bench::SensorFault::jammed: return false;
        case bench::SensorFault::good: break;
    }
    if (sink) {
        const double more = lie == Lie::heatsink_alternates && rounds_ % 2 != 0 ? 60.0 : 0.0;
        take(sample, core::parse_w1_temperature(temperature_file(registers.heatsink_sixteenths / 16.0 + more)));
    } else {
        take(sample, core::parse_w1_slave(older_part(registers.air_sixteenths / 16.0), core::W1Family::ds18s20));
    }
    return true;
}

bool Instruments::contact(const std::string& address, core::Sample& sample) {
    const core::Sample read = contacts_.at(address)->read();
    sample.value = read.value;
    sample.openings = read.openings;
    sample.fault = read.fault;
    return true;
}

/// A diode in its square-law region at the exciter's coupler, which rests at the first code of a unipolar converter.
bool Instruments::probe(core::Sample& sample) const {
    constexpr double volts_per_w = 2000.0, loss = 1.0e-4 * 0.9120, volts_per_code = 2.5 / 4096.0;  // 40 and 0.4 dB
    const double volts = bench_.amplifier().truth().drive_w * loss * volts_per_w;
    take(sample, core::scale_iio({.value = std::round(volts / volts_per_code), .fault = Fault::none},
                                 {.scale = volts_per_code * 1000.0, .offset = 0.0, .lowest = 0.0, .highest = 4095.0}));
    if (lie == Lie::probe_gone) sample.fault = Fault::absent;
    return true;
}

bool Instruments::converter(std::size_t channel, core::Sample& sample, const core::Sample& before) const {
    bench::Amplifier& amplifier = bench_.amplifier();
    const std::array<int, 4>& codes = amplifier.registers().adc;
    if (lie == Lie::coupler_swapped && channel < 2) channel = 1 - channel;
    double volts = codes[channel] * bench::adc_volts_per_code;
    // At rest, with the bench's own noise, so that it isn't merely frozen.
    const bool dead = (lie == Lie::forward_dead && channel == 0) || (lie == Lie::reflected_dead && channel == 1);
    if (dead) volts = rest_volts + codes[2] % 2 * bench::adc_volts_per_code;
    if (lie == Lie::forward_reversed && channel == 0) volts = 2.0 * rest_volts - volts;
    // The detector drifts as its data sheet says, and the configuration with it.
    if (channel == 0 && !dead)
        volts += volts_per_db * drift_db_per_k * (amplifier.truth().ambient_c - drift_reference_c);
    double code = std::round(volts / bench::adc_volts_per_code);
    if (faults_.unplugged[channel]) code = 3.0;
    if (faults_.adc == bench::ChipFault::railed) code = 32767.0;
    if (faults_.adc == bench::ChipFault::zero) code = 0.0;
    const double millivolts = bench::adc_volts_per_code * 1000.0;
    take(sample,
         core::scale_iio({.value = code, .fault = Fault::none}, {.scale = lie == Lie::scale_zero       ? 0.0
                                                                          : lie == Lie::scale_negative ? -millivolts
                                                                                                       : millivolts,
                                                                 .offset = 0.0,
                                                                 .lowest = -32768.0,
                                                                 .highest = 32767.0}));
    return answers(faults_.adc, sample, before);
}

bool Instruments::chip(const std::string& device, const std::string& address, core::Sample& sample,
                       const core::Sample& before) const {
    const bench::Registers& registers = bench_.amplifier().registers();
    const bool psu = device == "ltc4151";
    sample.value = !psu                 ? registers.fan_rpm
                   : address == "curr1" ? registers.current_ma / 1000.0
                                        : registers.supply_mv / 1000.0;
    return answers(psu ? faults_.psu : faults_.fan, sample, before);
}

}  // namespace dekeyd::soak
