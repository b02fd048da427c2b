// What sensors are to each other: names, addresses, the pair of a VSWR, the thermometer of a drift.
#include <algorithm>
#include <map>

#include "configuration/blank_value.hpp"
#include "configuration/parts.hpp"
#include "configuration/sensor_address.hpp"

namespace dekeyd::formats {

using core::ChannelKind;

namespace {

void check_names(Draft& draft) {
    const core::Plan& plan = draft.plan();
    for (std::size_t i = 0; i < plan.channels.size(); ++i) {
        for (std::size_t d = 0; d < core::derived_count; ++d) {
            const auto info = core::describe(plan, plan.index(static_cast<core::Derived>(d)));
            if (info.id == plan.channels[i].id)
                draft.report.fault(draft.sensors[i].place, draft.sensors[i].path,
                                   fmt::format("'{}' is the name of a quantity that is worked out", info.id),
                                   "another name for the sensor");
        }
    }
}

void check_addresses(Draft& draft) {
    std::map<std::string, std::size_t> seen;
    for (std::size_t i = 0; i < draft.sensors.size(); ++i) {
        const SensorDraft& sensor = draft.sensors[i];
        if (!sensor.bus || sensor.address.empty() || sensor.address == blank_value) continue;
        const BusConfig& bus = draft.configuration.buses[*sensor.bus];
        // A 1-Wire id is unique on any bus; a GPIO line belongs to its chip.
        std::string key = bus.driver == BusDriver::w1 ? sensor.address : fmt::format("{}/{}", bus.id, sensor.address);
        if (bus.driver == BusDriver::contact) {
            const std::string& chip = sensor.chip.empty() ? draft.buses[*sensor.bus].chip : sensor.chip;
            key = fmt::format("gpio {}/{}", chip, sensor.address);
            const bool digits =
                std::all_of(sensor.address.begin(), sensor.address.end(), [](char c) { return c >= '0' && c <= '9'; });
            if (digits && chip.empty())
                draft.report.fault(
                    sensor.place, sensor.path + ".address",
                    fmt::format("'{}' is an offset, and offsets are counted on each chip", sensor.address),
                    "'chip:' with the chip's label, or the line's name");
        }
        const auto [first, fresh] = seen.insert({std::move(key), i});
        if (!fresh)
            draft.report.fault(
                sensor.place, sensor.path + ".address",
                fmt::format("'{}' is read by '{}' already", sensor.address, draft.plan().channels[first->second].id),
                "each address once");
    }
}

void check_pair(Draft& draft) {
    const core::Roles& roles = draft.plan().roles;
    if (roles.reflected && !roles.forward) {
        const SensorDraft& reflected = draft.sensors[*roles.reflected];
        draft.report.fault(reflected.place, reflected.path, "reflected power is measured and forward power is not",
                           "a sensor with 'role: forward'");
    }
    if (!roles.forward || !roles.reflected) return;
    const SensorDraft& forward = draft.sensors[*roles.forward];
    const SensorDraft& reflected = draft.sensors[*roles.reflected];
    if (forward.bus && reflected.bus && *forward.bus != *reflected.bus)
        draft.report.fault(
            reflected.place, reflected.path + ".bus",
            fmt::format("reflected is on '{}' and forward on '{}'", draft.configuration.buses[*reflected.bus].id,
                        draft.configuration.buses[*forward.bus].id),
            "both on one bus: a VSWR needs forward read before and after reflected in one pass");
}

void find_drift_sensors(Draft& draft) {
    for (std::size_t i = 0; i < draft.sensors.size(); ++i) {
        const SensorDraft& sensor = draft.sensors[i];
        if (sensor.drift_sensor.empty()) continue;
        const auto found = draft.channel(sensor.drift_sensor);
        if (!found || (draft.sensors[*found].kind && *draft.sensors[*found].kind != ChannelKind::temperature)) {
            draft.report.fault(sensor.drift_place, sensor.path + ".drift.sensor",
                               fmt::format("'{}' is no sensor of a temperature", sensor.drift_sensor.substr(0, 40)),
                               "the id of a sensor that measures a temperature");
            continue;
        }
        if (!draft.plan().channels[i].power) continue;
        core::PowerChain& chain = *draft.plan().channels[i].power;
        const core::Channel& thermometer = draft.plan().channels[*found];
        chain.temperature_channel = *found;
        if (thermometer.valid_low < thermometer.valid_high) {
            const double ends[] = {(thermometer.valid_low - thermometer.zero) * thermometer.gain,
                                   (thermometer.valid_high - thermometer.zero) * thermometer.gain};
            chain.temperature_low_c = std::min(ends[0], ends[1]);
            chain.temperature_high_c = std::max(ends[0], ends[1]);
        }
    }
}

}  // namespace

std::optional<std::uint16_t> Draft::channel(std::string_view id) const {
    const auto& channels = configuration.plan.channels;
    for (std::size_t i = 0; i < channels.size(); ++i) {
        if (channels[i].id == id) return static_cast<std::uint16_t>(i);
    }
    return std::nullopt;
}

void check_sensors(Draft& draft) {
    check_names(draft);
    check_addresses(draft);
    check_pair(draft);
    find_drift_sensors(draft);
    pair_feeds(draft);
    check_stages(draft);
}

}  // namespace dekeyd::formats
