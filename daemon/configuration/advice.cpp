// Advice: settings that are legal and unwise, seen over the whole configuration.
#include <algorithm>

#include "configuration/calibration.hpp"
#include "configuration/parts.hpp"
#include "core/limit.hpp"

namespace dekeyd::formats {
namespace {

bool watched(const core::Plan& plan, core::QuantityIndex quantity, core::Direction direction) {
    return std::any_of(plan.limits.begin(), plan.limits.end(), [&](const core::LimitPlan& limit) {
        return limit.watch == quantity && limit.direction == direction && core::may_trip(limit, {});
    });
}

void advise_windows(Draft& draft) {
    for (std::size_t i = 0; i < draft.sensors.size(); ++i) {
        const SensorDraft& sensor = draft.sensors[i];
        if (draft.plan().channels[i].power && !sensor.window_given)
            draft.report.advise(
                sensor.place, sensor.path,
                "no live-zero window ('valid: 0.35 V .. 2.2 V', measured at rest): an unplugged detector "
                "looks the same as one at rest");
    }
}

void advise_limits(Draft& draft) {
    const core::Plan& plan = draft.plan();
    const core::Roles& roles = plan.roles;
    bool temperature_limit = false;
    for (std::size_t i = 0; i < plan.channels.size(); ++i) {
        if (plan.channels[i].kind == core::ChannelKind::temperature && !plan.channels[i].stage)
            temperature_limit =
                temperature_limit || watched(plan, static_cast<core::QuantityIndex>(i), core::Direction::above);
    }
    if (!temperature_limit) draft.report.advise({}, "limits", "no over-temperature limit");
    for (std::size_t i = 0; i < draft.sensors.size(); ++i) {
        const auto index = static_cast<core::QuantityIndex>(i);
        if (draft.sensors[i].role == Role::fan && !watched(plan, index, core::Direction::below))
            draft.report.advise(
                draft.sensors[i].place, "limits",
                fmt::format("no limit on '{}': a fan that stalls stays unseen until its heatsink is hot",
                            plan.channels[i].id));
        const bool one_of_several = draft.sensors[i].role == Role::supply && !plan.roles.more_supplies.empty();
        if (one_of_several && !plan.channels[i].stage && !watched(plan, index, core::Direction::above) &&
            !watched(plan, index, core::Direction::below))
            draft.report.advise(draft.sensors[i].place, "limits",
                                fmt::format("no limit on '{}': its failure stays unseen", plan.channels[i].id));
    }
    if (roles.reflected && !watched(plan, *roles.reflected, core::Direction::above))
        draft.report.advise(
            draft.sensors[*roles.reflected].place, "limits",
            "no limit on reflected power itself: a VSWR needs a good forward reading, a reflected limit "
            "does not");
    if (roles.forward && roles.reflected && !watched(plan, plan.index(core::Derived::vswr), core::Direction::above))
        draft.report.advise(draft.sensors[*roles.reflected].place, "limits", "no limit on VSWR");
    if (roles.forward && !roles.drive && !roles.current)
        draft.report.advise(draft.sensors[*roles.forward].place, draft.sensors[*roles.forward].path,
                            "neither drive nor current is measured: a lost cable to the forward detector is invisible");
}

void advise_rf(Draft& draft) {
    const core::Plan& plan = draft.plan();
    if (!plan.roles.forward) return;
    const core::Channel& forward = plan.channels[*plan.roles.forward];
    if (forward.power && draft.amplifier.rated_w && *draft.amplifier.rated_w > line_ceiling_w(*forward.power))
        draft.report.advise(draft.amplifier.place, "amplifier.rated_forward",
                            fmt::format("the forward chain can tell no more than {}, less than the rated {}",
                                        show(line_ceiling_w(*forward.power), core::Unit::watt),
                                        show(*draft.amplifier.rated_w, core::Unit::watt)));
    if (plan.roles.reflected && !plan.rf.directivity_db)
        draft.report.advise(draft.amplifier.place, "amplifier.directivity",
                            "not given: how far a VSWR may be trusted can't be said");
    const bool drive_elsewhere =
        plan.roles.drive && draft.sensors[*plan.roles.drive].bus != draft.sensors[*plan.roles.forward].bus;
    if (drive_elsewhere)
        draft.report.advise(draft.sensors[*plan.roles.drive].place, draft.sensors[*plan.roles.drive].path,
                            "drive is on another bus than forward: gain and compression are taken at two moments");
}

void advise_calibrations(Draft& draft) {
    const core::Plan& plan = draft.plan();
    for (const BeyondCalibration& beyond : beyond_calibration(plan))
        draft.report.advise(draft.sensors[beyond.channel].place, "limits." + plan.limits[beyond.limit].id,
                            sentence(plan, beyond));
}

}  // namespace

void give_advice(Draft& draft) {
    advise_calibrations(draft);
    advise_windows(draft);
    advise_limits(draft);
    advise_rf(draft);
    if (draft.configuration.line.driver == LineDriver::file)
        draft.report.advise({}, "line", "the file driver drives no output: it protects nothing, and is for the bench");
}

}  // namespace dekeyd::formats
