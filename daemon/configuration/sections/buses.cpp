// buses: what is read by one thread each, how often, and in which order.
#include <algorithm>
#include <array>
#include <set>

#include "configuration/parts.hpp"

namespace dekeyd::formats {

using namespace std::chrono_literals;

namespace {

using namespace row_units;

constexpr std::array bus_drivers{Word{"w1", BusDriver::w1}, Word{"iio", BusDriver::iio},
                                 Word{"hwmon", BusDriver::hwmon}, Word{"contact", BusDriver::contact}};

constexpr std::array bus_periods{
    KindBetween{
        "w1",
        Dimension::time,
        {100 * ms, 30.0, 1 * ms, patient, "a heatsink is hot within half a minute, and the wire needs its rest"}},
    KindBetween{
        "iio", Dimension::time, {1 * ms, 500 * ms, 1 * ms, patient, "what a converter reads is judged once a scan"}},
    KindBetween{"hwmon", Dimension::time, {1 * ms, 5.0, 1 * ms, patient, "what a chip reads is judged once a scan"}},
    KindBetween{
        "contact", Dimension::time, {1 * ms, 500 * ms, 1 * ms, patient, "an interlock that opens is seen once a scan"}},
};

// Maxim/TI DS18B20 data sheet, thermometer resolution configuration: 93.75 ms, 187.5 ms, 375 ms and 750 ms at most, for
// 9 to 12 bits; the kernel waits for 95, 190, 375 and 750 ms.
constexpr std::array<core::Duration, w1_most_bits - w1_fewest_bits + 1> w1_conversion_times{94ms, 188ms, 375ms, 750ms};
/// What asking for it and the kernel add: 765 to 790 ms were measured for a 12-bit conversion, its reading included.
constexpr core::Duration w1_conversion_margin = 50ms;
/// To read one that has converted: two resets of 1 ms and 152 bits of some 70 us, with the kernel's short sleeps 12 ms.
constexpr core::Duration w1_read_time = 20ms;

constexpr std::string_view conversion_says = "What one reading takes, for the delays that `dekeyctl check` shows.";

constexpr std::array bus_rows{
    KeyRow{.path = "buses",
           .kind = KeyKind::named,
           .need = Need::required,
           .says = "Buses with sensors. One thread reads each bus; a bus that hangs delays only itself."},
    KeyRow{.path = "buses.*", .kind = KeyKind::section, .says = "One bus."},
    KeyRow{.path = "buses.*.driver",
           .kind = KeyKind::word,
           .need = Need::required,
           .words = bus_drivers,
           .says = "How it is read: w1 thermometers, an iio converter, a hwmon chip, or contact: lines of GPIO chips."},
    KeyRow{.path = "buses.*.period",
           .kind = KeyKind::time,
           .need = Need::required,
           .by_kind = bus_periods,
           .says = "From the beginning of one scan to the next; what takes longer goes on without a rest."},
    KeyRow{.path = "buses.*.conversion",
           .kind = KeyKind::time,
           .of = "w1",
           .between = {90 * ms, 2.0, 1 * us, patient, "a thermometer takes 94 ms for 9 bits and 750 ms for 12"},
           .usual_words = "800 ms; with `bits` 144, 238, 425 or 800 ms",
           .says = conversion_says},
    KeyRow{.path = "buses.*.convert_together",
           .kind = KeyKind::flag,
           .of = "w1",
           .usual = "no",
           .says =
               "All its thermometers convert at once (Linux 5.10 and later; it takes the drop-in thermometers.conf). "
               "Thermometers only: with a 1-Wire part of another kind on that bus master each conversion fails, which "
               "permits nothing."},
    KeyRow{.path = "buses.*.bits",
           .kind = KeyKind::whole,
           .of = "w1",
           .between = fixed(w1_fewest_bits, w1_most_bits,
                            "a thermometer converts by 9 bits, half a degree, to 12, a "
                            "sixteenth",
                            Compared::whole),
           .usual_words = "as each is set; 12 when new",
           .says =
               "Each is set to convert by so many; each one fewer halves the time (it takes the same drop-in). After "
               "the key is removed, the parts stay at those bits until they lose their supply."},
    KeyRow{.path = "buses.*.conversion",
           .kind = KeyKind::time,
           .of = "iio",
           .between = {1 * us, 200 * ms, 1 * us, patient,
                       "a converter takes microseconds to a tenth of a second for a channel"},
           .usual = "3 ms",  // a converter at 860 samples a second, channel change included
           .says = conversion_says},
    KeyRow{.path = "buses.*.conversion",
           .kind = KeyKind::time,
           .of = "hwmon",
           .between = {1 * us, 500 * ms, 1 * us, patient, "a chip answers within half a second"},
           .usual = "1 ms",
           .says = conversion_says},
    KeyRow{.path = "buses.*.conversion",
           .kind = KeyKind::time,
           .of = "contact",
           .between = {1 * us, 10 * ms, 1 * us, patient, "a contact is read in microseconds"},
           .usual = "100 us",
           .says = conversion_says},
    KeyRow{.path = "buses.*.device",
           .kind = KeyKind::text,
           .need = Need::required,
           .of = "iio hwmon",
           .says = "The chip's name, as the kernel calls it."},
    KeyRow{.path = "buses.*.label",
           .kind = KeyKind::text,
           .of = "iio hwmon",
           .says = "Tells two chips of one name apart: a label, or a part of the device's path."},
    KeyRow{.path = "buses.*.chip",
           .kind = KeyKind::text,
           .of = "contact",
           .says = "The GPIO chip of all its contacts, by label or name."},
    KeyRow{.path = "buses.*.codes",
           .kind = KeyKind::range,
           .of = "iio",
           .between = fixed(-2147483648.0, 4294967295.0, "no converter has more than 32 bits"),
           .says = "The converter's end codes, such as -32768 .. 32767: a reading there is saturated."},
};

std::string_view driver_word(BusDriver driver) {
    return bus_drivers[static_cast<std::size_t>(driver)].text;
}

core::Duration usual_w1_conversion(const BusConfig& bus) {
    return w1_conversion_time(bus.bits.value_or(w1_most_bits)) + w1_conversion_margin;
}

void read_thermometers(Section& section, BusConfig& bus) {
    bus.convert_together = section.flag_or_usual("convert_together");
    if (const auto bits = section.whole("bits")) bus.bits = static_cast<int>(*bits);
    const auto conversion = section.duration("conversion");
    bus.conversion = conversion.value_or(usual_w1_conversion(bus));
    if (!bus.bits || bus.conversion >= w1_conversion_time(*bus.bits)) return;
    section.fault("conversion", fmt::format("{} is less than {} bits take", show(bus.conversion), *bus.bits),
                  fmt::format("at least {}; without it {} are reckoned with", show(w1_conversion_time(*bus.bits)),
                              show(usual_w1_conversion(bus))));
}

void read_bus(const Entry& entry, Section& buses, Draft& draft) {
    Section section{&entry.value, entry.place, buses.path_of(entry.key), draft.report};
    BusConfig bus;
    BusDraft of{.place = entry.place, .path = section.path(), .driver_known = false, .period_known = false, .chip = {}};
    bus.id = entry.key;
    const auto driver = section.word_as<BusDriver>("driver");
    if (driver) section.is_of(driver_word(*driver));
    const auto period = section.duration("period");
    of.driver_known = driver.has_value();
    of.period_known = period.has_value();
    bus.driver = driver.value_or(BusDriver::w1);
    bus.period = period.value_or(1s);
    if (!driver)
        bus.conversion = section.duration("conversion").value_or(usual_w1_conversion(bus));
    else if (bus.driver == BusDriver::w1)
        read_thermometers(section, bus);
    else
        bus.conversion = section.duration_or_usual("conversion");
    const bool chip_driver = bus.driver == BusDriver::iio || bus.driver == BusDriver::hwmon;
    if (!driver) {
        for (const std::string_view key : {"device", "label", "codes", "chip", "convert_together", "bits"})
            section.allow(key);
    } else if (chip_driver) {
        bus.device = section.text("device").value_or("");
        bus.label = section.text("label").value_or("");
    } else if (bus.driver == BusDriver::contact) {
        of.chip = section.text("chip").value_or("");
    }
    if (driver == BusDriver::iio) {
        if (const auto codes = section.range("codes")) {
            bus.lowest_code = codes->low;
            bus.highest_code = codes->high;
        } else if (!section.has("codes")) {
            draft.report.advise(of.place, section.path(),
                                "no 'codes:' (the converter's end codes, such as -32768 .. 32767): a saturated "
                                "converter looks the same as a reading");
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

std::span<const KeyRow> bus_keys() {
    return bus_rows;
}

void read_buses(Section& top, Draft& draft) {
    Section buses = top.section("buses");
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

core::Duration w1_conversion_time(int bits) {
    const auto at = static_cast<std::size_t>(std::clamp(bits, w1_fewest_bits, w1_most_bits) - w1_fewest_bits);
    return w1_conversion_times[at];
}

core::Duration pass_time(const BusConfig& bus) {
    const auto slots = static_cast<core::Duration::rep>(bus.slots.size());
    return bus.convert_together ? bus.conversion + slots * w1_read_time : slots * bus.conversion;
}

core::Duration round_time(const BusConfig& bus) {
    return std::max(bus.period, pass_time(bus));
}

core::Duration patient_round(const BusConfig& bus) {
    if (bus.convert_together) return pass_time(bus) + round_time(bus);
    return bus.driver == BusDriver::w1 ? pass_time(bus) + bus.period : round_time(bus);
}

core::Duration least_age(const BusConfig& bus) {
    if (bus.driver == BusDriver::w1) return patient_round(bus);
    return 2 * bus.period + pass_time(bus);
}

namespace {

// By the kernel's table of w1_therm's families.
void check_families(Draft& draft, std::size_t index) {
    const BusConfig& bus = draft.configuration.buses[index];
    for (const SensorDraft& sensor : draft.sensors) {
        if (sensor.bus != index) continue;
        const std::string path = sensor.path + ".address";
        if (bus.convert_together && sensor.address.starts_with("42-"))
            draft.report.fault(sensor.place, path, "the kernel doesn't let a DS28EA00 convert together with others",
                               fmt::format("it on a bus of its own, or no 'convert_together' on '{}'", bus.id));
        if (bus.bits && sensor.address.starts_with("10-"))
            draft.report.fault(sensor.place, path, "a DS18S20 has no bits to be set",
                               fmt::format("it on a bus of its own, or no 'bits' on '{}'", bus.id));
    }
}

}  // namespace

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
        check_families(draft, b);
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
        const std::string sum =
            bus.convert_together
                ? fmt::format("a conversion of {} with {} of {}, and {}", show(bus.conversion),
                              bus.slots.size() == 1 ? "a reading" : fmt::format("{} readings", bus.slots.size()),
                              show(w1_read_time),
                              pass_time(bus) > bus.period ? "the same again"
                                                          : fmt::format("the period of {}", show(bus.period)))
            : bus.driver == BusDriver::w1 ? fmt::format("{} conversions of {} and the period of {}", bus.slots.size(),
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
