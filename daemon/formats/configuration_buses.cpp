// buses: what is read by one thread each, how often, and in which order.
#include <algorithm>
#include <set>

#include "formats/configuration_parts.hpp"

namespace dekeyd::formats {

using namespace std::chrono_literals;

namespace {

core::Duration usual_conversion(BusDriver driver) {
    switch (driver) {
        case BusDriver::w1: return 800ms;  // 765 to 790 ms measured for a 12-bit conversion
        case BusDriver::iio: return 3ms;   // a converter at 860 samples a second, channel change included
        case BusDriver::hwmon: return 1ms;
        case BusDriver::contact: return 100us;
    }
    return 1ms;
}

std::string_view word(BusDriver driver) {
    switch (driver) {
        case BusDriver::w1: return "w1";
        case BusDriver::iio: return "iio";
        case BusDriver::hwmon: return "hwmon";
        case BusDriver::contact: return "contact";
    }
    return "";
}

void read_bus(const Entry& entry, Section& buses, Draft& draft) {
    Section section{&entry.value, entry.place, buses.path_of(entry.key), draft.report};
    BusConfig bus;
    BusDraft of{.place = entry.place, .path = section.path(), .driver_known = false, .period_known = false, .chip = {}};
    bus.id = entry.key;
    const auto driver = section.choice<BusDriver>(
        "driver",
        {{"w1", BusDriver::w1}, {"iio", BusDriver::iio}, {"hwmon", BusDriver::hwmon}, {"contact", BusDriver::contact}},
        Need::required);
    if (driver) section.is_of(word(*driver));
    const auto period = section.duration("period", Need::required);
    of.driver_known = driver.has_value();
    of.period_known = period.has_value();
    bus.driver = driver.value_or(BusDriver::w1);
    bus.period = period.value_or(1s);
    bus.conversion = section.duration("conversion", Need::optional).value_or(usual_conversion(bus.driver));
    const bool chip_driver = bus.driver == BusDriver::iio || bus.driver == BusDriver::hwmon;
    if (!driver) {
        for (const std::string_view key : {"device", "label", "codes", "chip"}) section.allow(key);
    } else if (chip_driver) {
        bus.device = section.text("device", Need::required).value_or("");
        bus.label = section.text("label", Need::optional).value_or("");
    } else if (bus.driver == BusDriver::contact) {
        of.chip = section.text("chip", Need::optional).value_or("");
    }
    if (driver == BusDriver::iio) {
        if (const auto codes = section.range("codes", Dimension::number, Need::optional)) {
            bus.lowest_code = codes->low;
            bus.highest_code = codes->high;
        } else if (!section.has("codes")) {
            draft.report.advise(of.place, section.path(),
                                "no 'codes:' (the converter's end codes, such as -32768 .. 32767): a saturated "
                                "converter can't be told from a reading");
        }
    }
    section.finish();
    draft.configuration.buses.push_back(std::move(bus));
    draft.buses.push_back(std::move(of));
}

/// Forward first, reflected next to it, so that a ratio's readings are as close together as the converter allows.
int reading_order(Role role) {
    switch (role) {
        case Role::forward: return 0;
        case Role::reflected: return 1;
        case Role::drive: return 2;
        default: return 3;
    }
}

}  // namespace

void read_buses(Section& top, Draft& draft) {
    Section buses = top.section("buses", Need::required);
    const auto entries = buses.named_entries(most_buses);
    if (buses.present() && entries.empty())
        draft.report.fault(buses.place(), buses.path(), "there is no bus",
                           "at least one, such as 'wire: {driver: w1, period: 1 s}'");
    std::set<std::pair<std::string, std::string>> chips;
    for (const Entry* entry : entries) {
        read_bus(*entry, buses, draft);
        const BusConfig& bus = draft.configuration.buses.back();
        // One reader for a chip: two would mix up its multiplexer's channels.
        const bool chip_driver = bus.driver == BusDriver::iio || bus.driver == BusDriver::hwmon;
        if (!bus.device.empty() && chip_driver && !chips.insert({bus.device, bus.label}).second)
            draft.report.fault(entry->place, buses.path_of(entry->key),
                               fmt::format("a second bus reads the device '{}'", bus.device),
                               "one bus for each device; two devices of one name need a 'label:' each");
    }
    buses.finish();
}

core::Duration round_time(const BusConfig& bus) {
    const auto slots = static_cast<core::Duration::rep>(bus.slots.size());
    if (bus.driver == BusDriver::w1) return slots * bus.conversion + bus.period;
    return std::max(bus.period, slots * bus.conversion);
}

core::Duration least_age(const BusConfig& bus) {
    const auto slots = static_cast<core::Duration::rep>(bus.slots.size());
    if (bus.driver == BusDriver::w1) return slots * bus.conversion + bus.period;
    return 2 * bus.period + slots * bus.conversion;
}

void assign_slots(Draft& draft) {
    core::Plan& plan = draft.plan();
    for (std::size_t b = 0; b < draft.buses.size(); ++b) {
        BusConfig& bus = draft.configuration.buses[b];
        std::vector<std::uint16_t> order;
        for (std::size_t i = 0; i < draft.sensors.size(); ++i) {
            if (draft.sensors[i].bus == b) order.push_back(static_cast<std::uint16_t>(i));
        }
        std::stable_sort(order.begin(), order.end(), [&](std::uint16_t x, std::uint16_t y) {
            return reading_order(draft.sensors[x].role) < reading_order(draft.sensors[y].role);
        });
        const auto add_slot = [&](std::uint16_t channel) {
            const SensorDraft& sensor = draft.sensors[channel];
            bus.slots.push_back({.sensor = plan.channels[channel].id,
                                 .address = sensor.address,
                                 .normally_closed = sensor.normally_closed,
                                 .chip = sensor.chip.empty() ? draft.buses[b].chip : sensor.chip});
        };
        for (std::size_t slot = 0; slot < order.size(); ++slot) {
            plan.channels[order[slot]].sampler = static_cast<std::uint16_t>(b);
            plan.channels[order[slot]].slot = static_cast<std::uint16_t>(slot);
            add_slot(order[slot]);
        }
        const auto forward = plan.roles.forward;
        if (forward && draft.sensors[*forward].bus == b) {
            plan.rf.forward_again_slot = plan.channels[*forward].slot;
            if (plan.roles.reflected) {
                plan.rf.forward_again_slot = static_cast<std::uint16_t>(bus.slots.size());
                add_slot(*forward);
            }
        }
        plan.samplers.push_back(static_cast<std::uint16_t>(bus.slots.size()));
        if (order.empty() && draft.buses[b].driver_known)
            draft.report.fault(draft.buses[b].place, draft.buses[b].path, "no sensor is on this bus",
                               fmt::format("a sensor with 'bus: {}', or the bus removed", bus.id));
    }
}

void check_ages(Draft& draft) {
    for (std::size_t i = 0; i < draft.sensors.size(); ++i) {
        const SensorDraft& sensor = draft.sensors[i];
        if (!sensor.bus || !sensor.age_given) continue;
        const BusDraft& of = draft.buses[*sensor.bus];
        if (!of.driver_known || !of.period_known) continue;
        const BusConfig& bus = draft.configuration.buses[*sensor.bus];
        const core::Duration least = least_age(bus);
        if (draft.plan().channels[i].allowed_age >= least) continue;
        const std::string sum = bus.driver == BusDriver::w1
                                    ? fmt::format("{} conversions of {} and the period of {}", bus.slots.size(),
                                                  show(bus.conversion), show(bus.period))
                                    : fmt::format("two periods of {} and {} conversions of {}", show(bus.period),
                                                  bus.slots.size(), show(bus.conversion));
        draft.report.fault(
            sensor.allowed_age_place, sensor.path + ".allowed_age",
            fmt::format("{} is less than the bus '{}' can keep", show(draft.plan().channels[i].allowed_age), bus.id),
            fmt::format("at least {}: {}", show(least), sum));
    }
}

}  // namespace dekeyd::formats
