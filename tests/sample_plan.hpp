// A small plan for tests of what is written and published: one of each kind of limit, all roles of RF.
#pragma once

#include "core/protection.hpp"
#include "plan/plan.hpp"

namespace dekeyd::test {

inline core::Channel sample_channel(const char* id, const char* name, core::ChannelKind kind, std::uint16_t slot) {
    core::Channel channel;
    channel.id = id;
    channel.name = name;
    channel.kind = kind;
    channel.slot = slot;
    channel.valid_low = -100.0;
    channel.valid_high = 1000.0;
    channel.allowed_age = std::chrono::seconds{5};
    if (kind == core::ChannelKind::power) {
        core::PowerChain chain;
        chain.detector = core::SquareLawDetector{1.0};
        chain.floor_dbm = -50.0;
        chain.ceiling_dbm = 60.0;
        channel.power = chain;
    }
    return channel;
}

/// Channels: 0 heatsink, 1 forward, 2 reflected. Limits: 0 heatsink (automatic), 1 vswr (latched, clears by RF off).
inline core::Plan sample_plan() {
    using std::chrono::seconds;
    core::Plan plan;
    plan.samplers = {4};
    plan.channels = {sample_channel("heatsink", "Heatsink", core::ChannelKind::temperature, 0),
                     sample_channel("forward", "Forward power", core::ChannelKind::power, 1),
                     sample_channel("reflected", "Reflected power", core::ChannelKind::power, 2)};
    plan.roles.heatsink = 0;
    plan.roles.forward = 1;
    plan.roles.reflected = 2;
    plan.rf.rated_w = 120.0;
    plan.rf.minimum_forward_w = 6.0;
    plan.rf.rf_present_w = 1.0;
    plan.rf.forward_again_slot = 3;

    core::LimitPlan heatsink;
    heatsink.id = "heatsink";
    heatsink.name = "Heatsink";
    heatsink.watch = 0;
    heatsink.trip = 70.0;
    heatsink.clear = 55.0;
    heatsink.warn = 65.0;
    heatsink.hold_off = seconds{30};
    heatsink.rearm = core::Rearm::automatic;
    core::LimitPlan vswr;
    vswr.id = "vswr";
    vswr.name = "VSWR";
    vswr.watch = plan.index(core::Derived::vswr);
    vswr.trip = 2.0;
    vswr.clear_by = core::ClearBy::rf_off;
    vswr.rearm = core::Rearm::latched;
    plan.limits = {heatsink, vswr};

    plan.interlock.settling = seconds{5};
    plan.interlock.lockout_window = seconds{600};
    plan.interlock.sensor_hold_off = seconds{10};
    plan.interlock.guard_deadline = seconds{1};
    return plan;
}

inline core::Reading good(double value) {
    return {.value = value, .low = value, .high = value, .health = core::Health::good, .fault = core::Fault::none};
}

/// Sources of sample_plan: limits, then channels, then built-ins.
inline constexpr core::SourceIndex heatsink_limit = 0, vswr_limit = 1, heatsink_sensor = 2, forward_sensor = 3;

}  // namespace dekeyd::test
