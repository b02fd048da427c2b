// What the kernel's files would say of the amplifier, read by the daemon's own parsers into scans.
#pragma once

#include <cstdint>
#include <map>
#include <memory>
#include <string>
#include <vector>

#include "bench/bench.hpp"
#include "configuration/configuration.hpp"
#include "plan/scan.hpp"
#include "soak/contacts.hpp"

namespace dekeyd::soak {

/// What is wrong between the amplifier and the files, beyond the bench's own faults.
enum class Lie : std::uint8_t {
    none,
    coupler_swapped,      ///< forward's cable at the reflected port, and the other way round
    forward_dead,         ///< its detector says that there is no power
    reflected_dead,       ///< the same of the other
    forward_reversed,     ///< a detector whose voltage rises where it should fall
    scale_zero,           ///< the converter's driver says that a code is nothing
    scale_negative,       ///< ... or less than nothing
    heatsink_alternates,  ///< what is, 60 K more, what is
    flange_power_on,      ///< 85.000 degC for ever, as after a cold start
    probe_gone,           ///< the converter of the diode detector
};

class Instruments {
public:
    Instruments(const formats::Configuration& configuration, bench::Bench& bench, Contacts& contacts);
    /// The scans that are due.
    void look(core::Instant now, std::vector<core::Scan>& scans);
    Lie lie = Lie::none;

private:
    /// False: the file hangs, and its whole thread with it.
    bool read(const formats::BusConfig& bus, const std::string& address, core::Instant now, core::Sample& sample);
    bool thermometer(char which, core::Sample& sample, const core::Sample& before);
    bool contact(const std::string& address, core::Sample& sample);
    bool probe(core::Sample& sample) const;
    bool converter(std::size_t channel, core::Sample& sample, const core::Sample& before) const;
    bool chip(const std::string& device, const std::string& address, core::Sample& sample,
              const core::Sample& before) const;

    const formats::Configuration& configuration_;
    bench::Bench& bench_;
    bench::Faults faults_;
    std::vector<std::vector<core::Sample>> samples_;
    std::map<std::string, std::unique_ptr<drivers::Sensor>> contacts_;  ///< by the line's name
    std::vector<std::int64_t> next_ns_;
    std::uint64_t rounds_ = 0;
};

}  // namespace dekeyd::soak
