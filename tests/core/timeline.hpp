// A small amplifier's plan, and a way to write timelines against Protection.
#pragma once

#include <array>
#include <chrono>
#include <cmath>
#include <optional>
#include <string>
#include <vector>

#include "core/protection.hpp"

namespace timeline {

using namespace std::chrono_literals;
using namespace dekeyd::core;

enum ChannelIndex : std::uint16_t { heatsink, forward, reflected, drive, supply, lid, contactor_contact };
enum LimitIndex : std::uint16_t { hot, vswr_high, reflected_high, forward_high, overdrive, supply_low, lid_open };

inline Channel channel(const char* id, ChannelKind kind, std::uint16_t sampler, std::uint16_t slot, Duration age) {
    Channel c;
    c.id = id;
    c.kind = kind;
    c.sampler = sampler;
    c.slot = slot;
    c.allowed_age = age;
    return c;
}

// V = -0.025 V/dB * (P - 20 dBm); 50 dB between line and detector: 0 dBm at the detector is 100 W.
inline PowerChain chain() {
    PowerChain p;
    p.detector = LogDetector{-0.025, 20.0};
    p.coupling_db = 40.0;
    p.pads_db = 10.0;
    p.floor_dbm = -50.0;
    p.ceiling_dbm = 5.0;
    return p;
}

inline double volts(double watts, const PowerChain& p = chain()) {
    if (watts <= 0.0) return 1.8;  // at rest, below the floor
    return -0.025 * (10.0 * std::log10(watts * 1000.0) - p.coupling_db - p.pads_db - 20.0);
}

inline LimitPlan limit(const char* id, QuantityIndex watch, double trip, double clear, Duration qualify,
                       Duration hold_off, Rearm rearm) {
    LimitPlan l;
    l.id = id;
    l.watch = watch;
    l.trip = trip;
    l.clear = clear;
    l.qualify = qualify;
    l.hold_off = hold_off;
    l.rearm = rearm;
    return l;
}

inline Plan plan() {
    Plan p;
    p.samplers = {1, 4, 1, 1};
    p.channels = {
        channel("heatsink", ChannelKind::temperature, 0, 0, 3s), channel("forward", ChannelKind::power, 1, 0, 100ms),
        channel("reflected", ChannelKind::power, 1, 1, 100ms),   channel("drive", ChannelKind::power, 1, 2, 100ms),
        channel("supply", ChannelKind::voltage, 2, 0, 500ms),    channel("lid", ChannelKind::contact, 3, 0, 500ms)};
    p.channels[heatsink].largest_jump = 5.0;
    p.channels[heatsink].power_on_value = 85.0;
    p.channels[heatsink].valid_low = -40.0;
    p.channels[heatsink].valid_high = 120.0;
    for (auto i : {forward, reflected, drive}) {
        p.channels[i].power = chain();
        p.channels[i].valid_low = 0.3;
        p.channels[i].valid_high = 2.2;
    }
    p.roles.forward = forward;
    p.roles.reflected = reflected;
    p.roles.drive = drive;
    p.roles.heatsink = heatsink;
    p.roles.supply = supply;
    p.rf.rated_w = 120.0;
    p.rf.minimum_forward_w = 6.0;
    p.rf.rf_present_w = 1.0;
    p.rf.drive_absent_w = 0.05;
    p.rf.forward_again_slot = 3;
    p.rf.release_time = 60ms;
    p.limits = {limit("hot", heatsink, 70.0, 55.0, 1s, 5s, Rearm::automatic),
                limit("vswr", p.index(Derived::vswr), 2.0, 0.0, 20ms, 0s, Rearm::latched),
                limit("reflected", reflected, 12.0, 0.0, 10ms, 0s, Rearm::latched),
                limit("forward", forward, 120.0, 0.0, 10ms, 1s, Rearm::automatic),
                limit("drive", drive, 3.0, 2.4, 5ms, 1s, Rearm::automatic),
                limit("supply-low", supply, 24.0, 26.0, 500ms, 1s, Rearm::automatic),
                limit("lid", lid, 0.5, 0.75, 0s, 1s, Rearm::automatic)};
    p.limits[vswr_high].clear_by = ClearBy::rf_off;
    p.limits[vswr_high].gate = Gate{forward, 6.0, Direction::above};
    p.limits[reflected_high].clear_by = ClearBy::rf_off;
    p.limits[forward_high].clear_by = ClearBy::rf_off;
    p.limits[supply_low].direction = Direction::below;
    p.limits[lid_open].direction = Direction::below;
    p.limits[hot].warn = 65.0;
    p.interlock.settling = 1s;
    p.interlock.lockout_trips = 3;
    p.interlock.lockout_window = 600s;
    p.interlock.guard_deadline = 200ms;
    p.interlock.sensor_hold_off = 500ms;
    return p;
}

/// With a supply contactor, and a contact that is at rest while it is open.
inline Plan with_contactor(Plan p = plan()) {
    p.samplers.push_back(1);
    p.channels.push_back(channel("contactor-contact", ChannelKind::contact, 4, 0, 200ms));
    p.roles.contactor_sense = contactor_contact;
    p.supervision.contactor = true;
    p.supervision.contactor_time = 200ms;
    return p;
}

/// The amplifier as its sensors see it; `run` plays it against Protection at 20 ms a step.
struct Bench {
    Plan the_plan = plan();
    Protection protection;
    Instant now{1000s};
    double heatsink_c = 30.0, forward_w = 0.0, reflected_w = 0.0, drive_w = 0.0, supply_v = 28.0;
    double forward_again_w = -1.0;  ///< as forward where negative
    double lid_closed = 1.0;
    std::uint32_t lid_openings = 0;
    std::array<Fault, 7> faults{};
    bool line_lies = false;
    Duration slept{};                      ///< before the next step
    std::optional<bool> contactor_pad;     ///< what it reads, whatever was written
    bool contactor_unread = false;         ///< it can't be read back
    std::optional<bool> contactor_closed;  ///< its contacts, whatever it was told
    std::vector<Event> events;
    Decision decision;  ///< the last one

    explicit Bench(Plan p = plan(), Memory memory = {}, bool unclean = false, bool start_noted = true)
        : the_plan{std::move(p)}, protection{the_plan, std::move(memory), unclean, start_noted} {}

    Sample sample(std::uint16_t index, double value, std::uint32_t openings = 0) const {
        return {.value = value, .begun = now - 1ms, .openings = openings, .fault = faults[index]};
    }

    bool step(std::vector<Command> commands = {}) {
        const std::array wire{sample(heatsink, heatsink_c)};
        const auto power = [this](std::uint16_t i, double watts) {
            return sample(i, volts(watts, *the_plan.channels[i].power));
        };
        const std::array adc{power(forward, forward_w), power(reflected, reflected_w), power(drive, drive_w),
                             power(forward, forward_again_w < 0.0 ? forward_w : forward_again_w)};
        const std::array psu{sample(supply, supply_v)};
        const std::array contacts{sample(lid, lid_closed, lid_openings)};
        const bool told = protection.snapshot().contactor_closed;
        const std::array moves{sample(contactor_contact, contactor_closed.value_or(told) ? 0.0 : 1.0)};
        const std::array scans{Scan{0, wire}, Scan{1, adc}, Scan{2, psu}, Scan{3, contacts}, Scan{4, moves}};
        return step_with(scans, std::move(commands));
    }
    /// Of these scans alone.
    bool step_with(std::span<const Scan> scans, std::vector<Command> commands = {}) {
        const bool permit = protection.snapshot().permit, told = protection.snapshot().contactor_closed;
        decision = protection.step({.now = now,
                                    .scans = scans,
                                    .commands = commands,
                                    .line = {.known = true, .permit = line_lies ? !permit : permit},
                                    .suspended = slept,
                                    .contactor = {.known = !contactor_unread, .permit = contactor_pad.value_or(told)}});
        slept = {};
        events.insert(events.end(), protection.events().begin(), protection.events().end());
        now += 20ms;
        return protection.snapshot().permit;
    }
    /// True when the permit was as `expected` in every step.
    bool run(Duration length, bool expected) {
        bool all = true;
        for (const Instant end = now + length; now < end;) all = step() == expected && all;
        return all;
    }
    /// Runs until the permit is `wanted`; how long that took, or -1 s when it didn't within `most`.
    Duration until(bool wanted, Duration most) {
        const Instant begin = now;
        while (now - begin <= most) {
            const Instant at = now;
            if (step() == wanted) return at - begin;
        }
        return -1s;
    }
    bool start() { return until(true, 3s) >= 0s; }
    void key(double watts, double gamma) {
        forward_w = watts;
        reflected_w = watts * gamma * gamma;
        drive_w = watts / 60.0;
    }
    void unkey() { key(0.0, 0.0); }
    [[nodiscard]] State state() { return protection.snapshot().state; }
    [[nodiscard]] std::size_t count(EventKind kind) const {
        std::size_t n = 0;
        for (const Event& e : events) n += e.kind == kind ? 1 : 0;
        return n;
    }
    [[nodiscard]] const Event* last(EventKind kind) const {
        for (auto e = events.rbegin(); e != events.rend(); ++e)
            if (e->kind == kind) return &*e;
        return nullptr;
    }
};

}  // namespace timeline
