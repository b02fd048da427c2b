// sensors: each measured quantity, where it is read, and what it is for.
#include <algorithm>
#include <array>

#include "configuration/blank_value.hpp"
#include "configuration/parts.hpp"
#include "configuration/sections/roles.hpp"
#include "configuration/sensor_address.hpp"
#include "words/nearest.hpp"

namespace dekeyd::formats {

using namespace std::chrono_literals;
using core::ChannelKind;

namespace {

using namespace row_units;

constexpr std::array measured_words{Word{"temperature", ChannelKind::temperature},
                                    Word{"power", ChannelKind::power},
                                    Word{"voltage", ChannelKind::voltage},
                                    Word{"current", ChannelKind::current},
                                    Word{"speed", ChannelKind::speed},
                                    Word{"contact", ChannelKind::contact}};
constexpr std::array frozen_words{Word{"warning", false}, Word{"fault", true}};
constexpr std::array contact_words{Word{"closed", true}, Word{"open", false}};

constexpr std::array ages{
    KindBetween{"power",
                Dimension::time,
                {2 * ms, 1.0, 1 * ms, patient,
                 "a lost antenna burns a transistor within a second, and an older power doesn't show it"}},
    KindBetween{"temperature",
                Dimension::time,
                {100 * ms, 30.0, 1 * ms, 10 * minute, "a heatsink whose fan has stopped is hot within half a minute"}},
    KindBetween{"voltage current",
                Dimension::time,
                {2 * ms, 2.0, 1 * ms, patient, "a supply that fails does its harm within seconds"}},
    KindBetween{
        "speed", Dimension::time, {10 * ms, 10.0, 1 * ms, patient, "without its fan a heatsink heats within seconds"}},
    KindBetween{"contact",
                Dimension::time,
                {2 * ms, 1.0, 1 * ms, patient, "an interlock is there for a hand that is faster than a second"}},
};
constexpr std::array windows{
    KindBetween{"", Dimension::temperature, fixed(-100.0, 400.0, "no sensor for an amplifier gives it")},
    KindBetween{"", Dimension::voltage, fixed(-100.0, 10e3, "no input gives it")},
    KindBetween{"", Dimension::current, fixed(-1e3, 1e3, "no shunt gives it")},
    KindBetween{"", Dimension::speed, fixed(0.0, 100e3, "no fan turns so")},
};
constexpr std::array zeros{
    KindBetween{"", Dimension::voltage, fixed(-100.0, 100.0, "no input rests there")},
    KindBetween{"", Dimension::current, fixed(-100.0, 100.0, "no shunt rests there")},
};
constexpr std::array sensitivities{
    KindBetween{
        "current", Dimension::volts_per_ampere,
        fixed(10e-6, 10.0, "shunts and current sensors give microvolts to volts for an ampere", Compared::size)},
    KindBetween{
        "temperature", Dimension::volts_per_kelvin,
        fixed(10e-6, 1.0, "temperature sensors give microvolts (a thermocouple) to tenths of a volt for a kelvin",
              Compared::size)},
};

constexpr std::array sensor_rows{
    KeyRow{.path = "sensors", .kind = KeyKind::named, .need = Need::required, .says = "The sensors."},
    KeyRow{.path = "sensors.*", .kind = KeyKind::section, .says = "One sensor."},
    KeyRow{.path = "sensors.*.name",
           .kind = KeyKind::text,
           .usual_words = "the id in words",
           .says = "Its name for people."},
    KeyRow{.path = "sensors.*.bus", .kind = KeyKind::name, .need = Need::required, .says = "The bus that reads it."},
    KeyRow{.path = "sensors.*.address",
           .kind = KeyKind::name,
           .need = Need::required,
           .says = "Address on the bus: a thermometer's id, a converter's or a chip's channel, a GPIO line."},
    KeyRow{.path = "sensors.*.measures",
           .kind = KeyKind::word,
           .need = Need::required,
           .words = measured_words,
           .says = "The quantity that the sensor measures."},
    KeyRow{.path = "sensors.*.required",
           .kind = KeyKind::flag,
           .usual = "yes",
           .says = "no: the amplifier may work without it."},
    KeyRow{.path = "sensors.*.allowed_age",
           .kind = KeyKind::time,
           .need = Need::required,
           .by_kind = ages,
           .says = "A reading older than this counts as lost, and a lost sensor inhibits."},
    KeyRow{.path = "sensors.*.frozen_after",
           .kind = KeyKind::time,
           .between = {1.0, 7 * day, 10 * ms, 30 * day,
                       "a reading may well be the same for a second, and one that is frozen shall be found"},
           .usual_words = "it is not looked for",
           .says = "A reading that is the same to the last bit for so long is frozen."},
    KeyRow{.path = "sensors.*.frozen",
           .kind = KeyKind::word,
           .when = "with 'frozen_after'",
           .words = frozen_words,
           .usual = "warning",
           .says = "When a reading counts as frozen."},
    KeyRow{.path = "sensors.*.role",
           .kind = KeyKind::word,
           .words = role_words,
           .says = "The sensor's purpose; one without a role is shown, and may be limited. Each role once, but for "
                   "the amplifier's supply, current and fan; each fan of a series string is a sensor with a limit of "
                   "its own."},
    KeyRow{.path = "sensors.*.stage",
           .kind = KeyKind::name,
           .usual_words = "the amplifier itself",
           .says = "The stage that it belongs to, and with it the limits on it."},
    KeyRow{.path = "sensors.*.supply",
           .kind = KeyKind::name,
           .need = Need::required,
           .when = "with 'role: current', where the amplifier has more than one supply",
           .of = "current",
           .says = "The supply at whose voltage this current flows: DC power is the sum over all of them."},
    KeyRow{.path = "sensors.*.valid",
           .kind = KeyKind::levels,
           .of = "temperature power voltage current speed",
           .by_kind = windows,
           .usual_words = "all that the input can give",
           .says = "The range of the sensor's own output: outside it, the sensor counts as broken or unplugged."},
    KeyRow{.path = "sensors.*.gain",
           .kind = KeyKind::quantity,
           .sign = Sign::positive,
           .of = "voltage current",
           .between = fixed(1e-3, 1e4, "no divider has it"),
           .usual = "1",
           .says = "reading = (sample - zero) * gain, of a divider or a shunt whose chip gives amperes."},
    KeyRow{.path = "sensors.*.zero",
           .kind = KeyKind::level,
           .of = "temperature voltage current",
           .by_kind = zeros,
           .usual = "0",
           .says = "The input's value where the reading is zero."},
    KeyRow{.path = "sensors.*.sensitivity",
           .kind = KeyKind::level,
           .need = Need::required,
           .when = "where a voltage stands for the reading",
           .of = "temperature current",
           .by_kind = sensitivities,
           .says = "The volts of a transducer for an ampere or a kelvin."},
    KeyRow{.path = "sensors.*.largest_jump",
           .kind = KeyKind::quantity,
           .dimension = Dimension::temperature_difference,
           .sign = Sign::positive,
           .of = "temperature",
           .between = {0.5, 20.0, 0.1, 200.0,
                       "a sensor's own steps reach some tenths, and no heatsink moves by tens between two readings"},
           .usual = "5 K",
           .says = "A larger jump between two readings waits for a second that says the same."},
    KeyRow{.path = "sensors.*.power_on_value",
           .kind = KeyKind::quantity,
           .dimension = Dimension::temperature,
           .when = "with 'driver: w1'",
           .of = "temperature",
           .between = fixed(-100.0, 200.0, "no thermometer gives it"),
           .usual = "85 degC",  // DS18B20's data sheet, table 1
           .says = "The part's value before its first conversion: read again before it is believed."},
    KeyRow{.path = "sensors.*.chip",
           .kind = KeyKind::text,
           .of = "contact",
           .usual_words = "the bus's",
           .says = "The GPIO chip, by label or name; needed where the line is given by its offset."},
    KeyRow{.path = "sensors.*.normally",
           .kind = KeyKind::word,
           .of = "contact",
           .words = contact_words,
           .usual = "closed",
           .says = "How the contact is while all is well; of a contactor's, while the contactor is open."},
    KeyRow{.path = "sensors.*.interlock",
           .kind = KeyKind::flag,
           .of = "contact",
           .usual_words = "yes, and no for the roles that follow permit, key or contactor",
           .says = "Whether the contact inhibits while it is not in its normal state."},
    KeyRow{.path = "sensors.*.hold_off",
           .kind = KeyKind::time,
           .sign = Sign::not_negative,
           .of = "contact",
           .between = fixed(0.0, hour, "an hour after it closed a contact is closed"),
           .usual = "1 s",
           .says = "As a limit's: good for so long before it is left."},
    KeyRow{.path = "sensors.*.rearm",
           .kind = KeyKind::word,
           .of = "contact",
           .words = rearm_words,
           .usual = "latched",
           .says = "As a limit's."},
};

std::optional<std::size_t> find_bus(Section& section, const Draft& draft) {
    const auto given = section.scalar("bus");
    if (!given) return std::nullopt;
    std::vector<std::string_view> names;
    for (std::size_t i = 0; i < draft.configuration.buses.size(); ++i) {
        if (draft.configuration.buses[i].id == *given) return i;
        names.push_back(draft.configuration.buses[i].id);
    }
    if (names.empty()) return std::nullopt;  // that there are no buses is a fault of its own, told once
    const auto near = nearest(*given, names);
    section.fault("bus", fmt::format("there is no bus '{}'", given->substr(0, 40)),
                  near ? fmt::format("did you mean '{}'?", *near) : fmt::format("one of: {}", fmt::join(names, ", ")));
    return std::nullopt;
}

/// Address and kind, checked against the bus; the native kind where all of it fits.
std::optional<Native> read_address(Section& section, Draft& draft, SensorDraft& of) {
    of.address = section.scalar("address").value_or("");
    of.kind = section.word_as<ChannelKind>("measures");
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
        channel.gain = section.quantity_or_usual("gain");
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
    of.chip = section.text("chip").value_or("");
    of.normally_closed = section.word_or_usual<bool>("normally");
    channel.normally_open = !of.normally_closed;
    // They follow the permit, the key or the contactor: an interlock on them would hold itself.
    const bool sense = of.role == Role::enable_sense || of.role == Role::key_sense || of.role == Role::contactor_sense;
    of.contact.interlock = section.flag("interlock").value_or(!sense);
    if (sense && of.contact.interlock)
        section.fault("interlock", fmt::format("'{}' is a status and can't be an interlock", role_word(of.role)),
                      "'interlock: no', or no role");
    of.contact.hold_off = section.duration_or_usual("hold_off");
    of.contact.rearm = section.word_or_usual<core::Rearm>("rearm");
}

void read_temperature(Section& section, const Draft& draft, const SensorDraft& of, core::Channel& channel) {
    channel.largest_jump = section.quantity_or_usual("largest_jump");
    const bool w1 = of.bus && draft.configuration.buses[*of.bus].driver == BusDriver::w1;
    if (!w1) return;
    channel.power_on_value = section.quantity_or_usual("power_on_value");
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
    read_stage_of(section, draft, channel);
    channel.name = name_in_stage(channel.stage ? &draft.plan().stages[*channel.stage] : nullptr,
                                 section.text("name").value_or(words_from_id(entry.key)));
    of.bus = find_bus(section, draft);
    const auto native = read_address(section, draft, of);
    channel.kind = of.kind.value_or(ChannelKind::voltage);
    if (of.kind) section.is_of(word(*of.kind));
    channel.required = section.flag_or_usual("required");
    channel.allowed_age = section.duration("allowed_age").value_or(1s);
    of.age_given = section.has("allowed_age");
    of.allowed_age_place = section.place_of("allowed_age");
    channel.frozen_after = section.duration("frozen_after").value_or(core::Duration::zero());
    channel.frozen_is_fault = section.word_or_usual<bool>("frozen");
    if (channel.frozen_is_fault && channel.frozen_after == core::Duration::zero() && !section.has("frozen_after"))
        section.fault("frozen", "'frozen: fault' without a time", "'frozen_after: 10 min' or the like beside it");
    read_role(section, draft, of, channel, index);
    if (of.kind == ChannelKind::current) {
        of.supply = section.scalar("supply", Need::optional).value_or("");
        of.supply_place = section.place_of("supply");
    }

    if (native && of.kind) {
        if (*of.kind != ChannelKind::contact) read_window(section, draft, of, *native, channel);
        read_conversion(section, *native, *of.kind, channel);
        if (*of.kind == ChannelKind::temperature) read_temperature(section, draft, of, channel);
        if (*of.kind == ChannelKind::power) channel.power = read_chain(section, draft, of);
        if (of.like && !of.window_given) {
            of.window_given = draft.sensors[*of.like].window_given;
            channel.valid_low = draft.plan().channels[*of.like].valid_low;
            channel.valid_high = draft.plan().channels[*of.like].valid_high;
        }
        if (*of.kind == ChannelKind::contact) {
            const Range window = widest_window(BusDriver::contact, Native::contact);
            channel.valid_low = window.low;
            channel.valid_high = window.high;
            read_contact(section, channel, of);
        }
    } else {
        for (const std::string_view key :
             {"supply",      "valid",    "gain",     "zero",      "sensitivity", "largest_jump", "power_on_value",
              "detector",    "coupling", "pads",     "cable",     "waveform",    "drift",        "uncertainty",
              "calibration", "chip",     "normally", "interlock", "hold_off",    "rearm"})
            section.allow(key);
    }
    section.finish();
    draft.plan().channels.push_back(std::move(channel));
    draft.sensors.push_back(std::move(of));
}

}  // namespace

std::string words_from_id(std::string id) {
    std::replace(id.begin(), id.end(), '-', ' ');
    if (!id.empty() && id.front() >= 'a' && id.front() <= 'z') id.front() = static_cast<char>(id.front() - 'a' + 'A');
    return id;
}

std::span<const KeyRow> sensor_keys() {
    return sensor_rows;
}

void read_sensors(Section& top, Draft& draft) {
    Section section = top.section("sensors");
    const auto entries = section.named_entries(most_sensors);
    if (section.present() && entries.empty())
        draft.report.fault(section.place(), section.path(), "there is no sensor", "at least one");
    for (const Entry* entry : entries) read_sensor(*entry, section, draft);
    section.finish();
    check_sensors(draft);
}

}  // namespace dekeyd::formats
