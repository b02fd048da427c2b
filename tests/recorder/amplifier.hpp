// A guard and an amplifier in one: steps of the sample configuration, as the step queue would have them.
#pragma once

#include <doctest/doctest.h>

#include <chrono>
#include <cmath>
#include <optional>
#include <string>

#include "../configuration/configuration_sample.hpp"
#include "configuration/configuration.hpp"
#include "core/protection.hpp"
#include "store/captures/recorded.hpp"

namespace recorded {

using namespace std::chrono_literals;
using namespace dekeyd;

inline formats::Configuration configuration(std::string text = std::string{sample_text}) {
    formats::Loaded loaded = formats::load_configuration(text);
    for (const auto& fault : loaded.faults) MESSAGE(formats::render("sample", text, fault));
    REQUIRE(loaded.configuration);
    return std::move(*loaded.configuration);
}

// The sample's detectors: -24.4 mV/dB, 19.6 dBm; 50.5 dB before forward's, 40 dB before reflected's.
inline double volts(double watts, double loss_db) {
    if (watts <= 0.0) return 1.75;  // at rest
    return -0.0244 * (10.0 * std::log10(watts * 1000.0) - loss_db - 19.6);
}

struct Amplifier {
    formats::Configuration config;
    core::Protection guard;
    core::Instant now{1000s};
    std::uint64_t number = 0;
    double forward_w = 0.0, reflected_w = 0.0, heatsink_c = 30.0, supply_v = 28.0;
    bool lost_wire = false;
    std::vector<core::Event> events;
    std::vector<core::Command> commands;  ///< for the next step
    unsigned noise = 12345;

    explicit Amplifier(std::string text = std::string{sample_text})
        : config{configuration(std::move(text))}, guard{config.plan, {}, false} {}

    double jitter() {
        noise = noise * 1664525U + 1013904223U;
        return (static_cast<double>(noise >> 8U) / 16777216.0 - 0.5) * 1e-3;
    }

    core::Sample sample(double value) {
        return {.value = value, .begun = now - 1ms, .openings = 0, .fault = core::Fault::none};
    }

    formats::RecordedStep step() {
        formats::RecordedStep recorded;
        recorded.number = ++number;
        recorded.now = now;
        const bool objected = !commands.empty() && commands[0].kind == core::CommandKind::objected;
        recorded.line = {.known = true, .permit = guard.snapshot().permit && !objected};
        recorded.contactor_line = {.known = true, .permit = guard.snapshot().contactor_closed};
        recorded.commands = std::move(commands);
        commands.clear();
        const double forward = volts(forward_w, 50.5) + jitter();
        const double reflected = volts(reflected_w, 40.0) + jitter();
        recorded.scans.push_back({1, {sample(forward), sample(reflected), sample(forward + jitter())}});
        if (number % 5 == 1) recorded.scans.push_back({2, {sample(supply_v + jitter())}});
        if (number % 50 == 1) {
            core::Sample wire = sample(heatsink_c);
            if (lost_wire) wire = {.value = 0.0, .begun = now - 1ms, .openings = 0, .fault = core::Fault::bad_crc};
            recorded.scans.push_back({0, {wire}});
        }
        std::vector<core::Scan> room;
        const core::Decision decision = guard.step(recorded.input(room));
        recorded.permit = decision.permit;
        recorded.contactor = decision.contactor;
        events.insert(events.end(), guard.events().begin(), guard.events().end());
        now += 20ms;
        return recorded;
    }
    /// Steps for so long, each given to `use`.
    template <class Use>
    void run(core::Duration length, Use use) {
        for (const core::Instant end = now + length; now < end;) use(step());
    }
    [[nodiscard]] std::size_t count(core::EventKind kind) const {
        std::size_t n = 0;
        for (const core::Event& event : events) n += event.kind == kind ? 1U : 0U;
        return n;
    }
};

}  // namespace recorded
