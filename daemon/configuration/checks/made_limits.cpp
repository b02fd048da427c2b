// Limits that stand though they weren't written: of contacts, and of the circulator's load.
#include <algorithm>

#include "configuration/parts.hpp"

namespace dekeyd::formats {

using core::Direction;

namespace {

/// Each contact that isn't a mere status inhibits while it is open.
void add_contact_limits(Draft& draft) {
    core::Plan& plan = draft.plan();
    for (std::size_t i = 0; i < draft.sensors.size(); ++i) {
        const SensorDraft& sensor = draft.sensors[i];
        if (sensor.kind != core::ChannelKind::contact || !sensor.contact.interlock) continue;
        core::LimitPlan limit;
        limit.id = plan.channels[i].id + "-opened";
        limit.name = plan.channels[i].name + (plan.channels[i].normally_open ? ": contact closed" : ": contact opened");
        limit.watch = static_cast<core::QuantityIndex>(i);
        limit.direction = Direction::below;
        limit.trip = 0.5;
        limit.clear = 0.75;
        limit.hold_off = sensor.contact.hold_off;
        limit.rearm = sensor.contact.rearm;
        const bool taken = std::any_of(plan.limits.begin(), plan.limits.end(),
                                       [&](const core::LimitPlan& other) { return other.id == limit.id; });
        if (taken)
            draft.report.fault(
                sensor.place, sensor.path,
                fmt::format("the limit '{}' is made for this contact, and another has its name", limit.id),
                "another name for the other limit, or 'interlock: no' here");
        plan.limits.push_back(std::move(limit));
    }
}

/// The circulator load's continuous rating is a limit even if the file has no limit for it.
void add_circulator_limit(Draft& draft) {
    core::Plan& plan = draft.plan();
    const auto rating = draft.configuration.circulator_rating_w;
    const core::QuantityIndex load = plan.index(core::Derived::circulator_load);
    if (!rating || !plan.rf.circulator_load_time || !plan.roles.reflected) return;
    for (const core::LimitPlan& other : plan.limits) {
        if ((other.watch == load && other.trips) || other.id == "circulator-load") return;
    }
    core::LimitPlan limit;
    limit.id = "circulator-load";
    limit.name = "Circulator's load";
    limit.watch = load;
    limit.trip = *rating;
    limit.clear_by = core::ClearBy::rf_off;
    limit.hold_off = std::chrono::seconds{5};
    limit.rearm = core::Rearm::latched;
    draft.report.advise(
        {}, "limits.circulator-load",
        fmt::format("default not confirmed: {{watch: circulator-load, above: {}, clear: rf off, qualify: "
                    "0 s, hold_off: 5 s, rearm: latched}}; write it to confirm it",
                    show(limit.trip, core::Unit::watt)));
    plan.limits.push_back(std::move(limit));
}

}  // namespace

void add_made_limits(Draft& draft) {
    add_contact_limits(draft);
    add_circulator_limit(draft);
}

}  // namespace dekeyd::formats
