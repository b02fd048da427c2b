// sensors: each measured quantity, where it is read, and what it is for.
#include <algorithm>
#include <array>
#include <map>
#include <set>

#include "formats/configuration_parts.hpp"
#include "formats/nearest.hpp"
#include "formats/placeholder.hpp"
#include "formats/sensor_address.hpp"

namespace dekeyd::formats {

using namespace std::chrono_literals;
using core::ChannelKind;

namespace {

struct RoleRow {
    std::string_view word;
    Role role;
    ChannelKind kind;
    std::optional<std::uint16_t> core::Roles::*place;
};

constexpr std::array role_rows{
    RoleRow{"forward", Role::forward, ChannelKind::power, &core::Roles::forward},
    RoleRow{"reflected", Role::reflected, ChannelKind::power, &core::Roles::reflected},
    RoleRow{"drive", Role::drive, ChannelKind::power, &core::Roles::drive},
    RoleRow{"supply", Role::supply, ChannelKind::voltage, &core::Roles::supply},
    RoleRow{"current", Role::current, ChannelKind::current, &core::Roles::current},
    RoleRow{"heatsink", Role::heatsink, ChannelKind::temperature, &core::Roles::heatsink},
    RoleRow{"ambient", Role::ambient, ChannelKind::temperature, &core::Roles::ambient},
    RoleRow{"fan", Role::fan, ChannelKind::speed, &core::Roles::fan},
    RoleRow{"enable_sense", Role::enable_sense, ChannelKind::contact, &core::Roles::enable_sense},
    RoleRow{"key_sense", Role::key_sense, ChannelKind::contact, &core::Roles::key_sense},
    RoleRow{"contactor_sense", Role::contactor_sense, ChannelKind::contact, &core::Roles::contactor_sense},
};

const RoleRow& row_of(Role role) {
    return *std::find_if(role_rows.begin(), role_rows.end(), [=](const RoleRow& row) { return row.role == role; });
}

/// "power-supply" -> "Power supply".
std::string words_from_id(std::string id) {
    std::replace(id.begin(), id.end(), '-', ' ');
    if (!id.empty() && id.front() >= 'a' && id.front() <= 'z') id.front() = static_cast<char>(id.front() - 'a' + 'A');
    return id;
}

std::optional<std::size_t> find_bus(Section& section, const Draft& draft) {
    const auto given = section.scalar("bus", Need::required);
    if (!given) return std::nullopt;
    std::vector<std::string_view> names;
    for (std::size_t i = 0; i < draft.configuration.buses.size(); ++i) {
        if (draft.configuration.buses[i].id == *given) return i;
        names.push_back(draft.configuration.buses[i].id);
    }
    const auto near = nearest(*given, names);
    section.fault("bus", fmt::format("there is no bus '{}'", given->substr(0, 40)),
                  near            ? fmt::format("did you mean '{}'?", *near)
                  : names.empty() ? "a bus under 'buses:'"
                                  : fmt::format("one of: {}", fmt::join(names, ", ")));
    return std::nullopt;
}

/// Address and kind, checked against the bus; the native kind where all of it fits.
std::optional<Native> read_address(Section& section, Draft& draft, SensorDraft& of) {
    of.address = section.scalar("address", Need::required).value_or("");
    of.kind = section.choice<ChannelKind>("measures",
                                          {{"temperature", ChannelKind::temperature},
                                           {"power", ChannelKind::power},
                                           {"voltage", ChannelKind::voltage},
                                           {"current", ChannelKind::current},
                                           {"speed", ChannelKind::speed},
                                           {"contact", ChannelKind::contact}},
                                          Need::required);
    if (!of.bus || !draft.buses[*of.bus].driver_known || !section.has("address") || of.address.empty())
        return std::nullopt;
    const BusDriver driver = draft.configuration.buses[*of.bus].driver;
    const auto native = native_at(driver, of.address);
    if (!native) {
        section.fault("address",
                      fmt::format("'{}' is no address on the bus '{}'", of.address.substr(0, 40),
                                  draft.configuration.buses[*of.bus].id),
                      std::string{address_form(driver)});
        return std::nullopt;
    }
    if (*native == Native::power) {
        section.fault("address", fmt::format("'{}' is the power of a supply, not of RF", of.address),
                      "the chip's voltage and current: DC power is worked out from them");
        return std::nullopt;
    }
    if (!of.kind) return std::nullopt;
    const auto kinds = kinds_from(*native);
    if (std::find(kinds.begin(), kinds.end(), *of.kind) == kinds.end()) {
        std::vector<std::string_view> words;
        words.reserve(kinds.size());
        for (const ChannelKind kind : kinds) words.push_back(word(kind));
        section.fault("measures", fmt::format("'{}' can't be measured at '{}'", word(*of.kind), of.address),
                      fmt::format("{}, or another address", fmt::join(words, ", ")));
        return std::nullopt;
    }
    return native;
}

/// reading = (sample - zero) * gain. A divider has a plain gain, a transducer its sensitivity.
void read_conversion(Section& section, Native native, ChannelKind kind, core::Channel& channel) {
    const bool divider = (native == Native::voltage && kind == ChannelKind::voltage) ||
                         (native == Native::current && kind == ChannelKind::current);
    const bool transducer =
        native == Native::voltage && (kind == ChannelKind::current || kind == ChannelKind::temperature);
    if (divider) {
        channel.gain = section.quantity("gain", Dimension::number, Need::optional, Sign::positive).value_or(1.0);
        channel.zero = section.quantity("zero", dimension_of(native), Need::optional).value_or(0.0);
    }
    if (transducer) {
        const Dimension per = kind == ChannelKind::current ? Dimension::volts_per_ampere : Dimension::volts_per_kelvin;
        const auto sensitivity = section.quantity("sensitivity", per, Need::required);
        if (sensitivity && *sensitivity == 0.0) {
            section.fault("sensitivity", "a sensitivity of zero", fmt::format("such as {}", example_of(per)));
        } else if (sensitivity) {
            channel.gain = 1.0 / *sensitivity;
        }
        channel.zero = section.quantity("zero", Dimension::voltage, Need::optional).value_or(0.0);
    }
}

void read_contact(Section& section, core::Channel& channel, SensorDraft& of) {
    of.chip = section.text("chip", Need::optional).value_or("");
    of.normally_closed =
        section.choice<bool>("normally", {{"closed", true}, {"open", false}}, Need::optional).value_or(true);
    channel.normally_open = !of.normally_closed;
    // They follow the permit, the key or the contactor: an interlock on them would hold itself.
    const bool sense = of.role == Role::enable_sense || of.role == Role::key_sense || of.role == Role::contactor_sense;
    of.contact.interlock = section.flag("interlock", Need::optional).value_or(!sense);
    if (sense && of.contact.interlock)
        section.fault("interlock", fmt::format("'{}' is a status and can't be an interlock", row_of(of.role).word),
                      "'interlock: no', or no role");
    of.contact.hold_off = section.duration("hold_off", Need::optional, Sign::not_negative).value_or(1s);
    of.contact.rearm =
        section
            .choice<core::Rearm>("rearm", {{"automatic", core::Rearm::automatic}, {"latched", core::Rearm::latched}},
                                 Need::optional)
            .value_or(core::Rearm::latched);
}

void read_role(Section& section, Draft& draft, SensorDraft& of, std::uint16_t index) {
    std::vector<std::string_view> words;
    const auto given = section.scalar("role", Need::optional);
    if (!given) return;
    words.reserve(role_rows.size());
    for (const RoleRow& row : role_rows) words.push_back(row.word);
    const auto* const row =
        std::find_if(role_rows.begin(), role_rows.end(), [&](const RoleRow& r) { return r.word == *given; });
    if (row == role_rows.end()) {
        const auto near = nearest(*given, words);
        section.fault(
            "role", fmt::format("'{}' is no role", given->substr(0, 40)),
            near ? fmt::format("did you mean '{}'?", *near) : fmt::format("one of: {}", fmt::join(words, ", ")));
        return;
    }
    of.role = row->role;
    if (of.kind && *of.kind != row->kind)
        section.fault("role",
                      fmt::format("the role '{}' is for a {}, and this sensor measures a {}", row->word,
                                  word(row->kind), word(*of.kind)),
                      fmt::format("'measures: {}', or another role", word(row->kind)));
    auto& place = draft.plan().roles.*(row->place);
    if (place) {
        section.fault("role",
                      fmt::format("the role '{}' belongs to '{}' already", row->word, draft.plan().channels[*place].id),
                      "each role once; a further sensor goes without a role");
        of.role = Role::none;
        return;
    }
    place = index;
}

void read_temperature(Section& section, const Draft& draft, const SensorDraft& of, core::Channel& channel) {
    constexpr double usual_jump_k = 5.0;
    channel.largest_jump =
        section.quantity("largest_jump", Dimension::temperature_difference, Need::optional, Sign::positive)
            .value_or(usual_jump_k);
    const bool w1 = of.bus && draft.configuration.buses[*of.bus].driver == BusDriver::w1;
    if (!w1) return;
    constexpr double ds18b20_power_on_c = 85.0;  // datasheet, table 1
    channel.power_on_value =
        section.quantity("power_on_value", Dimension::temperature, Need::optional).value_or(ds18b20_power_on_c);
}

void read_window(Section& section, const Draft& draft, SensorDraft& of, Native native, core::Channel& channel) {
    of.window_given = section.has("valid");
    const auto given = section.range("valid", dimension_of(native), Need::optional);
    const Range window = given.value_or(widest_window(draft.configuration.buses[*of.bus].driver, native));
    channel.valid_low = window.low;
    channel.valid_high = window.high;
}

void read_sensor(const Entry& entry, Section& sensors, Draft& draft) {
    Section section{&entry.value, entry.place, sensors.path_of(entry.key), draft.report};
    SensorDraft of;
    of.place = entry.place;
    of.path = section.path();
    core::Channel channel;
    const auto index = static_cast<std::uint16_t>(draft.sensors.size());
    channel.id = entry.key;
    channel.name = section.text("name", Need::optional).value_or(words_from_id(entry.key));
    of.bus = find_bus(section, draft);
    const auto native = read_address(section, draft, of);
    channel.kind = of.kind.value_or(ChannelKind::voltage);
    if (of.kind) section.is_of(word(*of.kind));
    channel.required = section.flag("required", Need::optional).value_or(true);
    channel.allowed_age = section.duration("allowed_age", Need::required).value_or(1s);
    of.age_given = section.has("allowed_age");
    of.allowed_age_place = section.place_of("allowed_age");
    channel.frozen_after = section.duration("frozen_after", Need::optional).value_or(core::Duration::zero());
    channel.frozen_is_fault =
        section.choice<bool>("frozen", {{"warning", false}, {"fault", true}}, Need::optional).value_or(false);
    if (channel.frozen_is_fault && channel.frozen_after == core::Duration::zero() && !section.has("frozen_after"))
        section.fault("frozen", "'frozen: fault' without a time", "'frozen_after: 10 min' or the like beside it");
    read_role(section, draft, of, index);

    if (native && of.kind) {
        if (*of.kind != ChannelKind::contact) read_window(section, draft, of, *native, channel);
        read_conversion(section, *native, *of.kind, channel);
        if (*of.kind == ChannelKind::temperature) read_temperature(section, draft, of, channel);
        if (*of.kind == ChannelKind::power) channel.power = read_chain(section, draft, of);
        if (*of.kind == ChannelKind::contact) {
            const Range window = widest_window(BusDriver::contact, Native::contact);
            channel.valid_low = window.low;
            channel.valid_high = window.high;
            read_contact(section, channel, of);
        }
    } else {
        for (const std::string_view key : {"valid", "gain", "zero", "sensitivity", "largest_jump", "power_on_value",
                                           "detector", "coupling", "pads", "cable", "waveform", "drift", "uncertainty",
                                           "calibration", "chip", "normally", "interlock", "hold_off", "rearm"})
            section.allow(key);
    }
    section.finish();
    draft.plan().channels.push_back(std::move(channel));
    draft.sensors.push_back(std::move(of));
}

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
        if (!sensor.bus || sensor.address.empty() || sensor.address == placeholder) continue;
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

std::optional<std::uint16_t> Draft::with_role(Role role) const {
    return configuration.plan.roles.*(row_of(role).place);
}

void read_sensors(Section& top, Draft& draft) {
    Section section = top.section("sensors", Need::required);
    const auto entries = section.named_entries(most_sensors);
    if (section.present() && entries.empty())
        draft.report.fault(section.place(), section.path(), "there is no sensor", "at least one");
    for (const Entry* entry : entries) read_sensor(*entry, section, draft);
    section.finish();
    check_names(draft);
    check_addresses(draft);
    check_pair(draft);
    find_drift_sensors(draft);
}

}  // namespace dekeyd::formats
