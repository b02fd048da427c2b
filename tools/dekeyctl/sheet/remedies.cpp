#include "dekeyctl/sheet/remedies.hpp"

#include <fmt/format.h>

#include <algorithm>

#include "plan/sources.hpp"
#include "words/event_text.hpp"
#include "words/units.hpp"

namespace dekeyd::ctl::sheet {
namespace {

using core::Builtin;
using core::Derived;
using core::Direction;

constexpr std::string_view look_at_the_feeder =
    "Leave RF off. Look at plugs, feeder and antenna: water, ice, a loose or broken plug. Measure the feeder by itself "
    "before the amplifier is keyed again, and begin at low power.";
constexpr std::string_view less_drive =
    "Turn the exciter down before it is keyed again. If it was not turned up, look for a pad that was taken out.";
constexpr std::string_view cool =
    "Leave RF off and the fan on. Look at the fan, its filter, the way of the air and the seat of the heatsink; then "
    "go on with less power or shorter transmissions.";
constexpr std::string_view look_at_the_supply =
    "Measure the supply at the amplifier's own terminals, with and without load. Look at its fuse, plugs and cables.";
constexpr std::string_view look_at_the_amplifier =
    "Leave RF off. Compare drive, forward power, supply voltage and current with those of a good day ('dekeyctl log "
    "--hours'): the amplifier, its load or a detector has changed.";

std::string_view todo_for_derived(Derived derived, Direction direction) {
    if (core::rule_of(derived).of_match) return look_at_the_feeder;
    switch (derived) {
        case Derived::circulator_load: return look_at_the_feeder;
        case Derived::net_power:
        case Derived::antenna_power: return direction == Direction::above ? less_drive : look_at_the_amplifier;
        case Derived::heat:
        case Derived::dc_power: return cool;
        default: return look_at_the_amplifier;
    }
}

std::string_view todo_for_limit(const core::Plan& plan, const core::LimitPlan& limit) {
    if (const core::DerivedRule* rule = core::rule_of(plan, limit.watch))
        return todo_for_derived(rule->derived, limit.direction);
    const core::Roles& roles = plan.roles;
    const bool above = limit.direction == Direction::above;
    if (roles.reflected == limit.watch) return look_at_the_feeder;
    if (roles.forward == limit.watch) return above ? less_drive : look_at_the_amplifier;
    if (roles.drive == limit.watch) return less_drive;
    if (core::roles_around(plan, limit.watch).is_current(limit.watch))
        return "Leave RF off. A short, a load that is off its value or too much drive: look at each before it is keyed "
               "again.";
    switch (plan.channels[limit.watch].kind) {
        case core::ChannelKind::temperature: return cool;
        case core::ChannelKind::speed: return "Look whether the fan turns freely, and at its plug and its supply.";
        case core::ChannelKind::voltage: return look_at_the_supply;
        case core::ChannelKind::contact:
            return "Go there and see why the contact moved, before it is put back: its name says where it is. A cut "
                   "wire looks the same.";
        default: return look_at_the_amplifier;
    }
}

std::string_view todo_for_bus(formats::BusDriver driver) {
    switch (driver) {
        case formats::BusDriver::w1:
            return "Look at its plug and its wire. 'dekeyctl find' lists the thermometers that are there; 'dekeyctl "
                   "adopt' takes a new one in its place.";
        case formats::BusDriver::iio:
        case formats::BusDriver::hwmon:
            return "Look at the wire from the sensor, the chip's supply and its bus. 'dekeyctl find' lists the chips "
                   "that are there, with readings.";
        case formats::BusDriver::contact: return "Look at the GPIO line and its chip: 'dekeyctl find' lists both.";
    }
    return {};
}

std::string_view todo_for_builtin(Builtin builtin) {
    switch (builtin) {
        case Builtin::overrun: return "The board is too busy: end what else runs there. 'dekeyctl log' keeps when.";
        case Builtin::line_mismatch:
        case Builtin::contactor_line_mismatch:
            return "The board's output isn't what was written. Isolate the amplifier; look for a short at the pin.";
        case Builtin::enable_mismatch:
            return "Isolate the amplifier. The contact that carries the enable is welded, or its wire is broken or "
                   "bridged: mend it, then 'dekeyctl prove'.";
        case Builtin::rf_while_inhibited:
            return "Turn the exciter off at once. The inhibit doesn't reach the amplifier: isolate its supply, and "
                   "look at the line's contact, relay and wiring. Afterwards 'dekeyctl prove'.";
        case Builtin::contactor_open: return "It stands while the contactor is open, and ends when it has closed.";
        case Builtin::contactor_stuck_closed:
            return "The contactor is welded: it can't drop the supply. Isolate by hand, and replace it.";
        case Builtin::contactor_stuck_open:
            return "Look at the contactor's coil, its driver and its auxiliary contact.";
        case Builtin::reflected_exceeds_forward:
            return "Look for cables of forward and reflected that were exchanged, a dead forward detector, and an open "
                   "feeder.";
        case Builtin::drive_without_forward:
            return "Leave RF off. The amplifier is dead, or the cable to the forward detector is off.";
        case Builtin::current_without_forward:
            return "The cable from the coupler to the forward detector is off, or the amplifier oscillates.";
        case Builtin::rf_without_current: return "The current sensor is dead, or the forward detector shows too much.";
        case Builtin::reflected_on_floor: return "The cable from the coupler to the reflected detector is off.";
        case Builtin::heat_without_rise:
            return "The temperature sensor has fallen off the heatsink: put it back, with paste.";
        case Builtin::longest_transmission: return "End the transmission. Where none was meant, look who keys.";
        case Builtin::uncalibrated:
            return "'dekeyctl commission', and then 'dekeyctl calibrate' against a power meter.";
        case Builtin::start_not_stored: return "Look at the board's card: it is full, read-only or worn.";
        case Builtin::second_opinion:
            return "The two judges of the readings disagree, so that one is broken. Keep the capture; replace the "
                   "board "
                   "or the sensor that it names.";
        case Builtin::suspended: return "The board slept, and nothing was guarded. Turn its sleep off.";
        case Builtin::count_: break;
    }
    return {};
}

/// Whether this configuration can meet it: the conditions under which core's rules rest for ever, on paper.
bool can_come(Builtin builtin, const formats::Configuration& configuration) {
    const core::Plan& plan = configuration.plan;
    const core::Roles& roles = plan.roles;
    switch (builtin) {
        case Builtin::enable_mismatch: return roles.enable_sense.has_value();
        case Builtin::rf_while_inhibited: return roles.forward || roles.reflected;
        case Builtin::contactor_open:
        case Builtin::contactor_line_mismatch: return plan.supervision.contactor;
        case Builtin::contactor_stuck_closed:
        case Builtin::contactor_stuck_open: return plan.supervision.contactor && roles.contactor_sense;
        case Builtin::reflected_exceeds_forward: return roles.forward && roles.reflected;
        case Builtin::drive_without_forward: return roles.drive && roles.forward && plan.rf.small_signal_gain_db;
        case Builtin::current_without_forward:
            return roles.current && roles.forward && plan.plausibility.current_with_rf_a;
        case Builtin::rf_without_current: return roles.supply && roles.current && roles.forward;
        case Builtin::reflected_on_floor:
            return roles.forward && roles.reflected && plan.plausibility.best_return_loss_db;
        case Builtin::heat_without_rise: return roles.heatsink && plan.plausibility.heating_w;
        case Builtin::longest_transmission: return plan.supervision.longest_transmission.has_value();
        case Builtin::uncalibrated:
            return std::any_of(plan.channels.begin(), plan.channels.end(), [](const core::Channel& channel) {
                return channel.power && channel.power->calibration_pending;
            });
        default: return true;
    }
}

std::string end_of(bool latches) {
    return latches ? "latched: once the cause is gone, 'dekeyctl reset'" : "by itself, once the cause is gone";
}

std::string name_and_id(std::string_view name, std::string_view id) {
    return name == id ? std::string{id} : fmt::format("{} ({})", formats::capital(name), id);
}

}  // namespace

std::vector<Remedy> remedies_of(const formats::Configuration& configuration) {
    const core::Plan& plan = configuration.plan;
    std::vector<Remedy> remedies;
    for (std::size_t i = 0; i < core::source_count(plan); ++i) {
        const core::SourceInfo source = core::describe_source(plan, static_cast<core::SourceIndex>(i));
        std::string_view todo;
        std::string what = name_and_id(source.name, source.id);
        switch (source.kind) {
            case core::SourceInfo::Kind::limit:
                if (!plan.limits[source.index].trips) continue;
                todo = todo_for_limit(plan, plan.limits[source.index]);
                break;
            case core::SourceInfo::Kind::channel:
                if (!plan.channels[source.index].required) continue;
                what += " gives no good reading";
                todo = todo_for_bus(configuration.buses[plan.channels[source.index].sampler].driver);
                break;
            case core::SourceInfo::Kind::builtin:
                if (!can_come(static_cast<Builtin>(source.index), configuration)) continue;
                todo = todo_for_builtin(static_cast<Builtin>(source.index));
                break;
        }
        remedies.push_back({.cause = std::move(what), .todo = std::string{todo}, .end = end_of(source.latches)});
    }
    return remedies;
}

}  // namespace dekeyd::ctl::sheet
