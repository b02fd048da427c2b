#include "telemetry/published/homie_properties.hpp"

#include <fmt/format.h>
#include <fmt/ranges.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <nlohmann/json.hpp>

#include "messages/overview.hpp"
#include "messages/snapshot_json.hpp"
#include "plan/hazards.hpp"
#include "telemetry/published/discovery.hpp"
#include "telemetry/received/signal_properties.hpp"
#include "words/advice_text.hpp"
#include "words/event_text.hpp"
#include "words/figures.hpp"
#include "words/reason.hpp"

namespace dekeyd::homie {
namespace {

using formats::Configuration;

enum class LimitState : std::uint8_t { inside, warning, waiting, tripped, latched, resting, unknown };
constexpr std::array<std::string_view, 7> limit_states{"inside",  "warning", "waiting", "tripped",
                                                       "latched", "resting", "unknown"};
/// By who holds it: bit 0 locally, bit 1 remotely.
constexpr std::array<std::string_view, 4> holders{"none", "local", "remote", "both"};
constexpr std::array<std::string_view, 2> storage_words{"good", "failing"};
constexpr std::array<std::string_view, 2> clock_words{"synchronised", "not synchronised"};
constexpr auto replace_broken_text = nlohmann::json::error_handler_t::replace;

constexpr std::array node_rows{
    Node{"permit", "Permit to transmit"},
    Node{"measurements", "Measured values"},
    Node{"quality", "How far each value may be believed", "quality"},
    Node{"signal", "Is the signal clean?"},
    Node{"hazards", "What endangers the amplifier now", "problem"},
    Node{"limits", "Limits", "limit"},
    Node{"levels", "Where each limit trips", "trip level"},
    Node{"recorder", "The last trips and transmissions"},
    Node{"service", "The daemon itself"},
};

/// An enumeration's format: its words, with commas.
template <class Words>
std::string choice(const Words& words) {
    return fmt::format("{}", fmt::join(words, ","));
}

/// Good, or why not: the other healths, unknown last, then every fault but none.
std::string quality_format() {
    std::string format;
    const auto add = [&](std::string_view word) { format.append(format.empty() ? "" : ",").append(word); };
    for (const std::string_view word : core::health_words.all()) {
        if (word != core::text(core::Health::unknown)) add(word);
    }
    add(core::text(core::Health::unknown));
    for (const std::string_view word : core::fault_words.all()) {
        if (word != core::text(core::Fault::none)) add(word);
    }
    return format;
}

bool is_contact(const core::Plan& plan, std::size_t quantity) noexcept {
    return quantity < plan.channels.size() && plan.channels[quantity].kind == core::ChannelKind::contact;
}

// ---- values --------------------------------------------------------------------------------------------------------

Value words(std::string_view text) {
    return {.text = std::string{text}, .number = {}};
}

Value boolean(bool value) {
    return words(value ? "true" : "false");
}

/// The convention's integers are signed; beyond that the count stands still.
Value whole(std::uint64_t count) {
    return words(std::to_string(std::min<std::uint64_t>(count, std::uint64_t{1} << 62U)));
}

/// An empty string can't be published (it deletes), so the convention writes it as one zero byte.
Value sentence(const std::string& text) {
    return words(text.empty() ? std::string(1, '\0') : text);
}

Value measured(const Facts& facts, std::uint16_t index) {
    const core::Reading& reading = facts.snapshot.quantities[index];
    if (!formats::has_number(reading)) return {};
    if (is_contact(facts.plan, index)) return boolean(reading.value >= 0.5);
    return {.text = formats::to_words(reading.value, core::describe(facts.plan, index).unit), .number = reading.value};
}

LimitState limit_state(const core::Snapshot& snapshot, std::size_t limit) noexcept {
    const core::Cause& cause = snapshot.causes[limit];
    if (cause.latched) return LimitState::latched;
    if (cause.active) return cause.condition == core::Condition::clear ? LimitState::waiting : LimitState::tripped;
    if (core::rests(snapshot.standing[limit])) return LimitState::resting;
    if (limit < snapshot.warnings.size() && snapshot.warnings[limit] != 0) return LimitState::warning;
    return cause.condition == core::Condition::unknown ? LimitState::unknown : LimitState::inside;
}

/// A level that holds only while commissioning is none at other times.
Value level(const Facts& facts, std::uint16_t index) {
    if (facts.snapshot.standing[index] == core::Standing::not_commissioning) return {};
    return words(fmt::format("{:.6g}", facts.plan.limits[index].trip));
}

core::Hazard hazard_at(std::uint16_t index) noexcept {
    return static_cast<core::Hazard>(index);
}

/// Without a trip since the start there is none.
Value capture(const Facts& facts, std::uint16_t index) {
    const std::string& outline = facts.around.kept.captures[index];
    return outline.empty() ? Value{} : words(outline);
}

Value nothing(const Facts& /*facts*/, std::uint16_t /*index*/) {
    return {};
}

// ---- rows ----------------------------------------------------------------------------------------------------------

std::string no_format() {
    return {};
}

std::string a_count() {
    return "0:";
}

bool always(const Configuration& /*configuration*/) {
    return true;
}

bool has_advice(const Configuration& configuration) {
    return formats::may_advise(configuration.plan);
}

constexpr Shown nowhere{};
constexpr Shown vital{Face::flag, Rank::vital};
constexpr Shown in_front{Face::reading, Rank::shown};
constexpr Shown diagnostic{Face::reading, Rank::diagnostic};
constexpr Shown hidden{Face::reading, Rank::hidden};
constexpr Shown counter{Face::counter, Rank::hidden};
constexpr Shown trouble{Face::problem, Rank::shown};

struct Row {
    std::string_view node;
    std::string_view id;
    std::string_view name;
    Shown shown;
    Datatype datatype = Datatype::string;
    std::string (*format)() = no_format;
    Pace pace = Pace::paced;
    Value (*value)(const Facts& facts, std::uint16_t index) = nothing;
    bool (*exists)(const Configuration& configuration) = always;
};

using I = std::uint16_t;
using F = const Facts&;

constexpr std::array rows{
    Row{"permit", "permit", "May transmit", vital, Datatype::boolean, [] { return std::string{"inhibit,permit"}; },
        Pace::prompt, [](F f, I) { return boolean(formats::may_transmit(f.snapshot)); }},
    Row{"permit", "state", "State", in_front, Datatype::enumeration, [] { return choice(core::state_words.all()); },
        Pace::prompt, [](F f, I) { return words(core::text(f.snapshot.state)); }},
    Row{"permit", "reason", "Reason", in_front, Datatype::string, no_format, Pace::prompt,
        [](F f, I) { return sentence(f.around.reason); }},
    Row{"permit", "advice", "Advice", diagnostic, Datatype::string, no_format, Pace::paced,
        [](F f, I) { return sentence(formats::advice_text(f.plan, f.snapshot)); }, has_advice},
    Row{"permit", "held", "Held by", diagnostic, Datatype::enumeration, [] { return choice(holders); }, Pace::prompt,
        [](F f, I) { return words(held_by(f.snapshot.memory)); }},
    Row{"permit", "holds", "Who holds, since when and why", diagnostic, Datatype::string, no_format, Pace::prompt,
        [](F f, I) {
            std::string text;
            for (const auto& hold : formats::holds_of(f.snapshot.memory, f.around.notes, f.around.stamp.since_1970))
                text += (text.empty() ? "" : " ") + hold.text;
            return sentence(text);
        }},
    Row{"recorder", "transmissions", "The last transmissions", nowhere, Datatype::json, no_format, Pace::paced,
        [](F f, I) { return words(f.around.kept.transmissions); }},
    Row{"recorder", "on-disk", "Every capture that the amplifier keeps", nowhere, Datatype::json, no_format,
        Pace::paced, [](F f, I) { return words(f.around.kept.on_disk); }},
    Row{"recorder", "fetch", "A capture to send, by its file's name", nowhere, Datatype::string, no_format,
        Pace::never},
    Row{"recorder", "trips", "The last trips, and how they ended", nowhere, Datatype::json, no_format, Pace::paced,
        [](F f, I) { return words(f.around.trips.empty() ? "[]" : f.around.trips); }},
    Row{"service", "overruns", "Deadlines that the guard missed", counter, Datatype::integer, a_count, Pace::paced,
        [](F f, I) { return whole(f.snapshot.overruns); }},
    Row{"service", "events-dropped", "Events without room", counter, Datatype::integer, a_count, Pace::paced,
        [](F f, I) { return whole(f.snapshot.events_dropped); }},
    Row{"service", "events-waiting", "Events not delivered yet", hidden, Datatype::integer, a_count, Pace::paced,
        [](F f, I) { return whole(f.around.events_waiting); }},
    Row{"service", "events-lost", "Events lost before delivery", counter, Datatype::integer, a_count, Pace::paced,
        [](F f, I) { return whole(f.around.events_lost); }},
    Row{"service", "storage", "Storage", diagnostic, Datatype::enumeration, [] { return choice(storage_words); },
        Pace::paced, [](F f, I) { return words(storage_words[f.around.storage_fails ? 1 : 0]); }},
    Row{"service", "captures", "Captures of trips since the start", counter, Datatype::integer, a_count, Pace::paced,
        [](F f, I) { return whole(f.around.captures); }},
    Row{"service", "records-waiting", "Captures and log rows not written yet", hidden, Datatype::integer, a_count,
        Pace::paced, [](F f, I) { return whole(f.around.records_waiting); }},
    Row{"service", "records-dropped", "Captures and log rows given up", counter, Datatype::integer, a_count,
        Pace::paced, [](F f, I) { return whole(f.around.records_dropped); }},
    Row{"service", "steps-lost", "Decisions that no capture can show", counter, Datatype::integer, a_count, Pace::paced,
        [](F f, I) { return whole(f.around.steps_lost); }},
    Row{"service", "failed-writes", "Tries to write that failed", counter, Datatype::integer, a_count, Pace::paced,
        [](F f, I) { return whole(f.around.failed_writes); }},
    Row{"service", "clock", "Clock", hidden, Datatype::enumeration, [] { return choice(clock_words); }, Pace::paced,
        [](F f, I) { return words(clock_words[f.around.stamp.synchronised ? 0 : 1]); }},
    Row{"service", "proof", "Proof test", diagnostic, Datatype::string, no_format, Pace::paced,
        [](F f, I) { return sentence(f.around.proof); }},
    Row{"service", "plan", "Levels of the limits, as configured", nowhere, Datatype::json, no_format, Pace::paced,
        [](F f, I) { return words(f.configured); }},
    Row{"service", "sensors", "What each sensor was worth since the start", nowhere, Datatype::json, no_format,
        Pace::slow,
        [](F f, I) {
            return words(formats::to_json(formats::channel_counts(f.plan, f.snapshot))
                             .dump(-1, ' ', false, replace_broken_text));
        }},
    Row{"service", "recent", "The last events", nowhere, Datatype::json, no_format, Pace::paced,
        [](F f, I) { return words(f.around.recent.empty() ? "[]" : f.around.recent); }},
    Row{"service", "summary", "Everything in one object, when something changes", nowhere, Datatype::json, no_format,
        Pace::summary},
    Row{"service", "pulse", "That the last summary is still true", nowhere, Datatype::json, no_format, Pace::pulse},
};

/// A lower end that no reading of the unit can go below.
std::string float_format(const core::Plan& plan, core::QuantityIndex index) {
    if (const core::DerivedRule* rule = core::rule_of(plan, index); rule != nullptr && rule->least)
        return fmt::format("{}:", *rule->least);
    if (index < plan.channels.size() && plan.channels[index].kind == core::ChannelKind::power) return "0:";
    return {};
}

void fill_quantity(const core::Plan& plan, I index, Property& property) {
    const core::QuantityInfo info = core::describe(plan, index);
    property.id = info.id;
    property.name = formats::capital(info.name);
}

void fill_measurement(const core::Plan& plan, I index, Property& property) {
    fill_quantity(plan, index, property);
    property.shown = shown_quantity(plan, index);
    if (is_contact(plan, index)) {
        property.datatype = Datatype::boolean;
        property.format = plan.channels[index].normally_open ? "closed,open" : "open,closed";  // false, true
        return;
    }
    property.datatype = Datatype::number;
    property.unit = core::symbol(core::describe(plan, index).unit);
    property.format = float_format(plan, index);
}

void fill_quality(const core::Plan& plan, I index, Property& property) {
    fill_quantity(plan, index, property);
    property.datatype = Datatype::enumeration;
    property.format = quality_format();
}

void fill_limit(const core::Plan& plan, I index, Property& property) {
    const core::LimitPlan& limit = plan.limits[index];
    property.id = limit.id;
    property.name = formats::capital(limit.name.empty() ? limit.id : limit.name);
    property.datatype = Datatype::enumeration;
    property.format = choice(limit_states);
}

void fill_hazard(const core::Plan& /*plan*/, I index, Property& property) {
    property.id = core::hazard_words.of(hazard_at(index));
    property.name = core::hazard_names.of(hazard_at(index));
    property.datatype = Datatype::boolean;
}

void fill_level(const core::Plan& plan, I index, Property& property) {
    fill_limit(plan, index, property);
    property.datatype = Datatype::number;
    property.format.clear();
    property.unit = core::symbol(core::describe(plan, plan.limits[index].watch).unit);
}

void fill_capture(const core::Plan& /*plan*/, I index, Property& property) {
    property.id = fmt::format("capture-{}", index + 1);
    property.name = fmt::format("Seconds around a trip, place {} of {}", index + 1, LatestHistory::places);
    property.datatype = Datatype::json;
}

/// One row for all quantities, limits or captures.
struct Family {
    std::string_view node;
    std::size_t (*count)(const core::Plan& plan) = nullptr;
    bool (*has)(const core::Plan& plan, core::QuantityIndex index) = nullptr;
    void (*fill)(const core::Plan& plan, I index, Property& property) = nullptr;
    Shown shown;
    Pace pace = Pace::paced;
    Value (*value)(const Facts& facts, I index) = nothing;
};

constexpr auto quantity_count = [](const core::Plan& plan) { return plan.quantity_count(); };
constexpr auto limit_count = [](const core::Plan& plan) { return plan.limits.size(); };
constexpr auto every_one = [](const core::Plan&, core::QuantityIndex) { return true; };

constexpr std::array families{
    Family{"measurements", quantity_count, core::can_be_known, fill_measurement, hidden, Pace::measured, measured},
    Family{"quality", quantity_count, core::can_be_known, fill_quality, hidden, Pace::paced,
           [](F f, I i) { return words(formats::quality(f.snapshot.quantities[i])); }},
    Family{"hazards", [](const core::Plan&) { return core::hazard_count; },
           [](const core::Plan& plan, core::QuantityIndex i) { return core::is_watched(plan, hazard_at(i)); },
           fill_hazard, trouble, Pace::prompt,
           [](F f, I i) { return boolean(formats::endangered(f.plan, f.snapshot, hazard_at(i))); }},
    Family{"limits", limit_count, every_one, fill_limit, diagnostic, Pace::prompt,
           [](F f, I i) { return words(limit_states[static_cast<std::size_t>(limit_state(f.snapshot, i))]); }},
    Family{"levels", limit_count, every_one, fill_level, hidden, Pace::paced, level},
    Family{"recorder", [](const core::Plan&) { return LatestHistory::places; }, every_one, fill_capture, nowhere,
           Pace::paced, capture},
};

Property of_row(const Row& row) {
    Property property;
    property.id = row.id;
    property.name = row.name;
    property.datatype = row.datatype;
    property.format = row.format();
    property.unit = row.datatype == Datatype::integer ? "#" : "";
    property.shown = row.shown;
    property.pace = row.pace;
    property.value = row.value;
    return property;
}

Property of_command(const formats::RemoteRule& command) {
    Property property;
    property.id = core::text(command.kind);
    property.name = command.name;
    // A hold's payload may be the reason for it.
    const bool told = command.kind == core::CommandKind::hold;
    property.datatype = told ? Datatype::string : Datatype::enumeration;
    property.format = told ? "" : core::text(command.kind);
    property.shown = {Face::button, Rank::shown};
    property.pace = Pace::never;
    property.value = nothing;
    return property;
}

}  // namespace

std::string_view text(Datatype datatype) noexcept {
    constexpr std::array<std::string_view, 6> texts{"integer", "float", "boolean", "string", "enum", "json"};
    return texts[static_cast<std::size_t>(datatype)];
}

std::span<const Node> nodes() noexcept {
    return node_rows;
}

std::vector<Property> properties_of(const Configuration& configuration, const std::string& base) {
    const core::Plan& plan = configuration.plan;
    // Without MQTT in the configuration nothing is published; what a description would hold is the least.
    const formats::MqttConfig mqtt = configuration.mqtt.value_or(formats::MqttConfig{});
    std::vector<Property> all;
    for (const Node& node : node_rows) {
        const auto add = [&](Property property) {
            property.node = node.id;
            property.topic = fmt::format("{}/{}/{}", base, node.id, property.id);
            all.push_back(std::move(property));
        };
        for (const Row& row : rows) {
            if (row.node == node.id && row.exists(configuration)) add(of_row(row));
        }
        for (Property& property : signal_properties(configuration, node.id)) add(std::move(property));
        for (const formats::RemoteRule& command : formats::remote_rules) {
            if (node.id == "permit" && command.allows(mqtt)) add(of_command(command));
        }
        for (const Family& family : families) {
            for (std::size_t i = 0; family.node == node.id && i < family.count(plan); ++i) {
                const auto index = static_cast<I>(i);
                if (!family.has(plan, index)) continue;
                Property property;
                property.index = index;
                property.shown = family.shown;
                property.pace = family.pace;
                property.value = family.value;
                family.fill(plan, index, property);
                add(std::move(property));
            }
        }
    }
    return all;
}

std::string_view held_by(const core::Memory& memory) noexcept {
    return holders[(memory.held_locally ? 1U : 0U) + (memory.held_remotely ? 2U : 0U)];
}

}  // namespace dekeyd::homie
