// The daemon's estimate against the bench's truth: random amplifiers, each with errors of its own within what the
// uncertainty statement allows, measured through converter and chain by the same Protection that guards a real one.
// Prints how often the truth lay within the stated interval. Usage: coverage AMPLIFIERS
#include <algorithm>
#include <array>
#include <cmath>
#include <cstdio>
#include <cstdlib>
#include <numbers>
#include <optional>
#include <random>

#include "bench/amplifier.hpp"
#include "core/protection.hpp"

using namespace dekeyd::core;
using namespace std::chrono_literals;

namespace {

enum ChannelIndex : std::uint16_t { heatsink, ambient, forward, reflected, drive, supply, current, channels };

// What a keeper of this amplifier would write: the nominal figures, whatever the parts really are.
PowerChain nominal_chain(const bench::Arm& arm) {
    PowerChain chain;
    chain.detector = LogDetector{-0.0244, 19.6};
    chain.coupling_db = arm.coupling_db;
    chain.pads_db = arm.pad_db;
    chain.cable_db = arm.cable_db;
    chain.floor_dbm = -50.0;
    chain.ceiling_dbm = 8.0;
    return chain;
}

Plan plan_for(double directivity_db) {
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
    Loop(const Case& c, double speed, std::uint64_t seed)
        : plan_{plan_for(c.directivity_db)},
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
            amplifier_.advance(step_s / speed_);
            now_ += std::chrono::duration_cast<Duration>(std::chrono::duration<double>(step_s));
            look();
        }
    }
    void key() { amplifier_.key(true); }
    [[nodiscard]] const bench::Truth& truth() const { return amplifier_.truth(); }
    [[nodiscard]] const Reading& reading(QuantityIndex index) const { return protection_.snapshot().quantities[index]; }
    [[nodiscard]] const Reading& reading(Derived derived) const { return reading(plan_.index(derived)); }

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
    double speed_;
    Instant now_{1000s};
    std::mt19937_64 noise_;
};

struct Tally {
    int cases = 0, inside = 0;
    double largest = 0.0;
    void add(bool within, double off) {
        ++cases;
        inside += within ? 1 : 0;
        if (!(off <= largest)) largest = off;
    }
    [[nodiscard]] double share() const { return cases > 0 ? static_cast<double>(inside) / cases : 0.0; }
};

bool holds(const Reading& reading, double truth) {
    return reading.health == Health::good && reading.low <= truth && truth <= reading.high;
}

}  // namespace

int main(int argc, char** argv) {
    const int amplifiers = argc > 1 ? std::atoi(argv[1]) : 1000;
    Draw draw{20260301};
    const Plan stated = plan_for(30.0);
    Tally forwards, ratios, settlings;
    int never_keyed = 0;
    double width = 0.0;
    for (int i = 0; i < amplifiers; ++i) {
        const Case c = draw.amplifier(stated);
        const auto seed = static_cast<std::uint64_t>(i) + 1;
        {
            Loop loop{c, 1.0, seed};
            loop.run(0.4, 0.02);
            loop.key();
            loop.run(0.4, 0.02);
            const bench::Truth& t = loop.truth();
            if (!t.rf || t.forward_w < 6.0) ++never_keyed;
            const Reading& shown = loop.reading(forward);
            forwards.add(holds(shown, t.forward_w), std::abs(10.0 * std::log10(shown.value / t.forward_w)));
            width += (shown.high / shown.value - 1.0) / amplifiers;
            const Reading& vswr = loop.reading(Derived::vswr);
            ratios.add(holds(vswr, t.vswr), std::abs(vswr.value - t.vswr));
        }
        {
            constexpr double speed = 200.0;
            Loop loop{c, speed, seed};
            loop.run(20.0, 1.0);
            loop.key();
            const auto& heat = c.parameters.heat;
            loop.run(heat.sink_j_per_k * heat.sink_to_air_blown_k_per_w, 1.0);
            const Reading& settling = loop.reading(Derived::settling_temperature);
            const double truth = c.ambient_c + loop.truth().heat_w * heat.sink_to_air_blown_k_per_w;
            const double off = settling.health == Health::good ? std::abs(settling.value - truth) : 1.0e3;
            settlings.add(off <= 2.0, off);
        }
    }
    std::printf("%d random amplifiers, daemon's estimate against the bench's truth:\n", amplifiers);
    std::printf(
        "  forward power within its own interval     %6.2f %% (at least 95), mean width +%.0f %%, worst off %.2f dB\n",
        100.0 * forwards.share(), 100.0 * width, forwards.largest);
    std::printf("  VSWR within its own interval              %6.2f %% (at least 95), worst off %.2f\n",
                100.0 * ratios.share(), ratios.largest);
    std::printf("  settling temperature within 2 degC after one time constant  %6.2f %% (all), worst off %.2f degC\n",
                100.0 * settlings.share(), settlings.largest);
    if (never_keyed > 0) std::printf("  %d were never on the air\n", never_keyed);
    const bool good = amplifiers > 0 && never_keyed == 0 && forwards.share() >= 0.95 && ratios.share() >= 0.95 &&
                      settlings.inside == settlings.cases;
    return good ? 0 : 1;
}
