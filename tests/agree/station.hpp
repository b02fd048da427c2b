// A configured station whose sensors read what the test says, played against the core at 20 ms a step.
#pragma once

#include <doctest/doctest.h>

#include <chrono>
#include <fstream>
#include <iterator>
#include <map>
#include <string>
#include <vector>

#include "configuration/configuration.hpp"
#include "core/protection.hpp"
#include "maths/level_budget.hpp"
#include "maths/rf.hpp"

namespace agree {

using namespace dekeyd;
using namespace std::chrono_literals;

inline std::string annotated_text() {
    std::ifstream in{DEKEYD_SOURCE_DIR "/config/dekeyd.yaml"};
    return {std::istreambuf_iterator<char>{in}, {}};
}

inline std::string changed(std::string text, std::string_view from, std::string_view to) {
    const std::size_t at = text.find(from);
    CAPTURE(from);
    REQUIRE(at != std::string::npos);
    return text.replace(at, from.size(), to);
}

inline formats::Configuration loaded(const std::string& text) {
    formats::Loaded loaded = formats::load_configuration(text);
    for (const auto& fault : loaded.faults) MESSAGE(formats::render("text", text, fault));
    REQUIRE(loaded.configuration);
    return std::move(*loaded.configuration);
}

class Station {
public:
    explicit Station(const formats::Configuration& configuration)
        : plan_{configuration.plan}, protection_{plan_, {}, false} {}

    /// In the channel's own unit: W for a power.
    std::map<std::string, double> values;
    bool line_lies = false;

    void step(std::vector<core::Command> commands = {}, core::Duration passes = 20ms) {
        std::vector<std::vector<core::Sample>> samples;
        for (const std::uint16_t slots : plan_.samplers) samples.emplace_back(slots);
        for (std::size_t i = 0; i < plan_.channels.size(); ++i) {
            const core::Channel& channel = plan_.channels[i];
            const core::Sample sample{.value = native(channel), .begun = now_ - 1ms, .fault = core::Fault::none};
            samples[channel.sampler][channel.slot] = sample;
            if (plan_.roles.forward == i && plan_.roles.reflected)
                samples[channel.sampler][plan_.rf.forward_again_slot] = sample;
        }
        std::vector<core::Scan> scans;
        for (std::size_t i = 0; i < samples.size(); ++i)
            scans.push_back({.sampler = static_cast<std::uint16_t>(i), .samples = samples[i]});
        const bool permit = snapshot().permit;
        protection_.step({.now = now_,
                          .scans = scans,
                          .commands = commands,
                          .line = {.known = true, .permit = line_lies ? !permit : permit},
                          .contactor = {.known = true, .permit = snapshot().contactor_closed}});
        now_ += passes;
    }
    void run(core::Duration length) {
        for (const core::Instant end = now_ + length; now_ < end;) step();
    }
    [[nodiscard]] const core::Snapshot& snapshot() { return protection_.snapshot(); }

private:
    [[nodiscard]] double native(const core::Channel& channel) const {
        const double value = values.at(channel.id);
        if (!channel.power) return value / channel.gain + channel.zero;
        return core::detector_level(*channel.power, core::dbm_from_watts(value)).volts;
    }

    const core::Plan& plan_;
    core::Protection protection_;
    core::Instant now_{1000s};
};

}  // namespace agree
