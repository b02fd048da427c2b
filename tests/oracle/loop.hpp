// Random amplifiers of the bench, each measured through converter and chain by the same Protection that guards a real
// one.
#pragma once

#include <array>
#include <chrono>
#include <cmath>
#include <cstdint>
#include <numbers>
#include <random>
#include <utility>

#include "bench/amplifier.hpp"
#include "core/protection.hpp"

namespace oracle {

using namespace dekeyd::core;
using namespace std::chrono_literals;

enum ChannelIndex : std::uint16_t { heatsink, ambient, forward, reflected, drive, supply, current, channels };

// What a keeper of this amplifier would write: the nominal figures, whatever the parts really are.
inline PowerChain nominal_chain(const bench::Arm& arm) {
    PowerChain chain;
    chain.detector = LogDetector{-0.0244, 19.6};
    chain.coupling_db = arm.coupling_db;
    chain.pads_db = arm.pad_db;
    chain.cable_db = arm.cable_db;
    chain.floor_dbm = -50.0;
    chain.ceiling_dbm = 8.0;
    return chain;
}

inline Plan plan_for(double directivity_db) {
    Plan p;
    p.samplers = {2, 4, 2};
    const auto add = [&](const char* id, ChannelKind kind, std::uint16_t sampler, std::uint16_t slot) {
        Channel c;
        c.id = id;
        c.kind = kind;
        c.sampler = sampler;
        c.slot = slot;
        c.allowed_age = 10s;
        c.valid_low = -100.0;
        c.valid_high = 200.0;
        p.channels.push_back(std::move(c));
    };
    add("heatsink", ChannelKind::temperature, 0, 0);
    add("ambient", ChannelKind::temperature, 0, 1);
    add("forward", ChannelKind::power, 1, 0);
    add("reflected", ChannelKind::power, 1, 1);
    add("drive", ChannelKind::power, 1, 2);
    add("supply", ChannelKind::voltage, 2, 0);
    add("current", ChannelKind::current, 2, 1);
    const bench::Parameters nominal;
    p.channels[forward].power = nominal_chain(nominal.forward);
    p.channels[reflected].power = nominal_chain(nominal.reflected);
    p.channels[drive].power = nominal_chain(nominal.drive);
    p.roles.heatsink = heatsink;
    p.roles.ambient = ambient;
    p.roles.forward = forward;
    p.roles.reflected = reflected;
    p.roles.drive = drive;
    p.roles.supply = supply;
    p.roles.current = current;
    p.rf.rated_w = 120.0;
    p.rf.minimum_forward_w = 6.0;
    p.rf.rf_present_w = 1.0;
    p.rf.drive_absent_w = 0.05;
    p.rf.forward_again_slot = 3;
    p.rf.release_time = 10s;  // the fast thermal clock makes a relay's milliseconds seconds
    p.rf.directivity_db = directivity_db;
    p.rf.feeder_loss_db = nominal.feeder_loss_db;
    p.plausibility.switching_time = 60s;
    p.interlock.guard_deadline = 10s;
    return p;
}

struct Case {
    bench::Parameters parameters;
    double drive_w = 1.6, ambient_c = 22.0, directivity_db = 30.0;
    bench::Reflection antenna;
};

class Draw {
public:
    explicit Draw(std::uint64_t seed) : random_{seed} {}
    double between(double low, double high) { return std::uniform_real_distribution<double>{low, high}(random_); }
    double phase() { return between(0.0, 2.0 * std::numbers::pi); }

    /// An arm whose parts are off by as much as the chain's uncertainty states, each in its own way.
    void spoil(bench::Arm& arm, const PowerChain& stated) {
        arm.coupling_db += between(-stated.coupling_tolerance_db, stated.coupling_tolerance_db);
        arm.pad_db += stated.mismatch_db * std::sin(phase());
        arm.cable_db += between(-stated.converter_db, stated.converter_db);
        arm.detector.intercept_dbm += between(-stated.temperature_db, stated.temperature_db);
        // The law itself: a bent slope and a wave, together within the conformance over the range in use.
        const double wave_db = between(0.0, 0.5 * stated.conformance_db);
        arm.detector.ripple_db = wave_db;
        arm.detector.ripple_phase_rad = phase();
        arm.detector.ripple_period_db = between(6.0, 20.0);
        arm.detector.intercept_dbm += between(-1.0, 1.0) * (stated.conformance_db - wave_db);
    }

    Case amplifier(const Plan& stated) {
        Case c;
        bench::Parameters& p = c.parameters;
        p.small_signal_gain_db = between(16.0, 20.0);
        p.saturated_w = between(120.0, 200.0);
        p.smoothness = between(1.5, 4.0);
        p.peak_efficiency = between(0.45, 0.65);
        p.directivity_db = c.directivity_db = between(20.0, 40.0);
        p.forward_leak_phase_rad = phase();
        p.reflected_leak_phase_rad = phase();
        p.feeder_phase_rad = phase();
        p.heat.sink_j_per_k = between(600.0, 3000.0);
        p.heat.sink_to_air_blown_k_per_w = between(0.10, 0.35);
        spoil(p.forward, *stated.channels[forward].power);
        spoil(p.reflected, *stated.channels[reflected].power);
        spoil(p.drive, *stated.channels[drive].power);
        c.drive_w = between(0.4, 2.0);
        c.ambient_c = between(0.0, 35.0);
        const double vswr = between(1.05, 2.5);
        c.antenna = std::polar((vswr - 1.0) / (vswr + 1.0), phase());
        return c;
    }

private:
    std::mt19937_64 random_;
};

/// The amplifier, its converter and the guard in one loop. `speed`: seconds that pass for the guard and the heatsink in
/// one of the radio's.
class Loop {
public:
    Loop(const Case& c, double speed, std::uint64_t seed) : Loop{plan_for(c.directivity_db), c, speed, seed} {}
    Loop(Plan plan, const Case& c, double speed, std::uint64_t seed)
        : plan_{std::move(plan)},
          protection_{plan_, Memory{}, false},
          amplifier_{seed, c.parameters, c.ambient_c},
          speed_{speed},
          noise_{seed} {
        amplifier_.thermal_speed(speed);
        amplifier_.drive(c.drive_w);
        amplifier_.antenna(c.antenna);
    }
    void run(double seconds, double step_s) {
        for (double passed = 0.0; passed < seconds; passed += step_s) {
            if (air_k_per_h_ != 0.0) amplifier_.ambient(amplifier_.truth().ambient_c + air_k_per_h_ * step_s / 3600.0);
            amplifier_.advance(step_s / speed_);
            now_ += std::chrono::duration_cast<Duration>(std::chrono::duration<double>(step_s));
            look();
        }
    }
    /// From now on the air changes at this rate.
    void air(double k_per_h) { air_k_per_h_ = k_per_h; }
    void key() { amplifier_.key(true); }
    [[nodiscard]] const Snapshot& snapshot() { return protection_.snapshot(); }
    [[nodiscard]] const Plan& plan() const { return plan_; }
    [[nodiscard]] const bench::Truth& truth() const { return amplifier_.truth(); }
    [[nodiscard]] const Reading& reading(QuantityIndex index) { return protection_.snapshot().quantities[index]; }
    [[nodiscard]] const Reading& reading(Derived derived) { return reading(plan_.index(derived)); }

private:
    [[nodiscard]] Sample sample(double value) const { return {.value = value, .begun = now_, .fault = Fault::none}; }
    double degrees(double true_c) {  // a DS18B20's steps and noise
        return std::round((true_c + 0.02 * std::normal_distribution<double>{}(noise_)) * 16.0) / 16.0;
    }
    void look() {
        const bench::Truth& t = amplifier_.truth();
        const auto volts = [&](int channel) {
            return static_cast<double>(amplifier_.registers().adc[static_cast<std::size_t>(channel)]) *
                   bench::adc_volts_per_code;
        };
        const std::array wire{sample(degrees(t.heatsink_c)), sample(degrees(t.ambient_c))};
        const std::array adc{sample(volts(0)), sample(volts(1)), sample(volts(2)), sample(volts(0))};
        const std::array psu{sample(std::round(t.supply_v * 40.0) / 40.0),
                             sample(std::round(t.current_a * 100.0) / 100.0)};
        const std::array scans{Scan{0, wire}, Scan{1, adc}, Scan{2, psu}};
        const bool permit = protection_.snapshot().permit;
        protection_.step({.now = now_, .scans = scans, .commands = {}, .line = {.known = true, .permit = permit}});
        amplifier_.permit(protection_.snapshot().permit);
    }

    Plan plan_;
    Protection protection_;
    bench::Amplifier amplifier_;
    double speed_, air_k_per_h_ = 0.0;
    Instant now_{1000s};
    std::mt19937_64 noise_;
};

}  // namespace oracle
