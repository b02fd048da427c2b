#include "daemon/homie.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <nlohmann/json.hpp>

#include "formats/back_off_text.hpp"
#include "formats/event_text.hpp"
#include "formats/exposure_json.hpp"
#include "formats/overview.hpp"
#include "formats/quantities.hpp"
#include "formats/reason.hpp"
#include "formats/snapshot_json.hpp"

namespace dekeyd::homie {
namespace {

using core::CommandKind;

constexpr auto replace_broken = nlohmann::json::error_handler_t::replace;
constexpr std::string_view states = "permitted,starting,tripped,held,latched,locked out";
constexpr std::string_view limit_states = "inside,warning,waiting,tripped,latched,resting,unknown";

constexpr std::array nodes{
    std::pair{"permit", "Permit to transmit"},
    std::pair{"measurements", "Measured values"},
    std::pair{"quality", "How far each value may be believed"},
    std::pair{"limits", "Limits"},
    std::pair{"levels", "Where each limit trips"},
    std::pair{"recorder", "The last trips and transmissions"},
    std::pair{"service", "The daemon itself"},
};

std::string capital(std::string_view words) {
    std::string text{words};
    if (!text.empty() && text[0] >= 'a' && text[0] <= 'z') text[0] = static_cast<char>(text[0] - 'a' + 'A');
    return text;
}

/// Good, or why not: every health but unknown, then every fault.
std::string quality_format() {
    std::string format;
    for (const core::Health health : {core::Health::good, core::Health::at_floor, core::Health::not_measurable,
                                      core::Health::above_range, core::Health::unknown}) {
        format.append(format.empty() ? "" : ",").append(core::text(health));
    }
    for (int fault = 1; fault <= static_cast<int>(core::Fault::implausible); ++fault) {
        format.append(",").append(core::text(static_cast<core::Fault>(fault)));
    }
    return format;
}

std::string_view quality(const core::Reading& reading) noexcept {
    const bool why = reading.health == core::Health::unknown && reading.fault != core::Fault::none;
    if (why) return core::text(reading.fault);
    const bool beyond = reading.measured() && reading.value >= core::unbounded;
    return core::text(beyond ? core::Health::above_range : reading.health);
}

bool is_contact(const core::Plan& plan, std::size_t quantity) noexcept {
    return quantity < plan.channels.size() && plan.channels[quantity].kind == core::ChannelKind::contact;
}

/// A lower end that no reading of the unit can go below.
std::string float_format(const core::Plan& plan, core::QuantityIndex index) {
    if (index == plan.index(core::Derived::vswr) || index == plan.index(core::Derived::antenna_vswr)) return "1:";
    if (index < plan.channels.size() && plan.channels[index].kind == core::ChannelKind::power) return "0:";
    return {};
}

/// "Unbounded" stands for no number at all (the time to a limit that is never reached).
bool has_number(const core::Reading& reading) noexcept {
    return std::isfinite(reading.value) && reading.value < core::unbounded &&
           (reading.measured() || reading.health == core::Health::above_range);
}

std::string_view limit_state(const core::Snapshot& snapshot, std::size_t limit) noexcept {
    const core::Cause& cause = snapshot.causes[limit];
    if (cause.latched) return "latched";
    if (cause.active) return cause.condition == core::Condition::clear ? "waiting" : "tripped";
    if (core::rests(snapshot.standing[limit])) return "resting";
    if (limit < snapshot.warnings.size() && snapshot.warnings[limit] != 0) return "warning";
    return cause.condition == core::Condition::unknown ? "unknown" : "inside";
}

std::string_view held(const core::Memory& memory) noexcept {
    if (memory.held_locally && memory.held_remotely) return "both";
    if (memory.held_locally) return "local";
    return memory.held_remotely ? "remote" : "none";
}

Value whole(std::uint64_t count) {
    // The convention's integers are signed; beyond that the count stands still.
    return {.text = std::to_string(std::min<std::uint64_t>(count, std::uint64_t{1} << 62U)), .number = {}};
}

Value words(std::string_view text) {
    return {.text = std::string{text}, .number = {}};
}

/// An empty string can't be published (it deletes), so the convention writes it as one zero byte.
Value sentence(const std::string& text) {
    return {.text = text.empty() ? std::string(1, '\0') : text, .number = {}};
}

nlohmann::ordered_json whole_seconds(core::Duration duration) {
    return std::max<std::int64_t>(0, std::chrono::duration_cast<std::chrono::seconds>(duration).count());
}

/// What the configuration fixes.
nlohmann::ordered_json plan_of(const formats::Configuration& configuration) {
    nlohmann::ordered_json json = formats::plan_json(configuration.plan);
    json["exposure"] = formats::exposure_json(configuration);
    return json;
}

/// Built-in causes have ids that are nobody else's.
std::string_view prefix(core::SourceInfo::Kind kind) noexcept {
    switch (kind) {
        case core::SourceInfo::Kind::limit: return "limit-";
        case core::SourceInfo::Kind::channel: return "sensor-";
        case core::SourceInfo::Kind::builtin: break;
    }
    return "";
}

}  // namespace

std::string_view text(Datatype datatype) noexcept {
    switch (datatype) {
        case Datatype::integer: return "integer";
        case Datatype::number: return "float";
        case Datatype::boolean: return "boolean";
        case Datatype::string: return "string";
        case Datatype::enumeration: return "enum";
        case Datatype::json: return "json";
    }
    return "string";
}

Device::Device(const formats::Configuration& configuration)
    : configuration_{configuration},
      base_{"homie/5/" + configuration.id},
      event_topic_{"dekeyd/" + configuration.id + "/event"},
      plan_{plan_of(configuration).dump(-1, ' ', false, replace_broken)} {
    add_permit();
    add_quantities();
    add_limits();
    add_recorder();
    add_service();
}

void Device::add(Property property) {
    property.topic = fmt::format("{}/{}/{}", base_, property.node, property.id);
    properties_.push_back(std::move(property));
}

void Device::add_permit() {
    const auto in_permit = [](const char* id, const char* name, Datatype datatype, std::string_view format,
                              Source source) {
        Property property;
        property.node = "permit";
        property.id = id;
        property.name = name;
        property.datatype = datatype;
        property.format = format;
        property.source = source;
        return property;
    };
    add(in_permit("permit", "May transmit", Datatype::boolean, "inhibit,permit", Source::permit));
    add(in_permit("state", "State", Datatype::enumeration, states, Source::state));
    add(in_permit("reason", "Reason", Datatype::string, "", Source::reason));
    if (formats::can_be_known(configuration_.plan, configuration_.plan.index(core::Derived::back_off)))
        add(in_permit("advice", "Advice", Datatype::string, "", Source::advice));
    add(in_permit("held", "Held by", Datatype::enumeration, "none,local,remote,both", Source::held));
    const auto command = [&](CommandKind kind, const char* id, const char* name) {
        Property property = in_permit(id, name, Datatype::enumeration, core::text(kind), Source::command);
        property.settable = true;
        property.retained = false;
        property.index = static_cast<std::uint16_t>(kind);
        add(std::move(property));
    };
    command(CommandKind::hold, "hold", "Hold");
    if (!configuration_.mqtt) return;
    if (configuration_.mqtt->remote_release) command(CommandKind::release, "release", "Release a hold");
    if (configuration_.mqtt->remote_reset) command(CommandKind::reset, "reset", "Reset what is latched");
}

void Device::add_quantities() {
    const core::Plan& plan = configuration_.plan;
    for (const char* node : {"measurements", "quality"}) {
        const bool value = std::string_view{node} == "measurements";
        for (std::size_t i = 0; i < plan.quantity_count(); ++i) {
            const auto index = static_cast<core::QuantityIndex>(i);
            if (!formats::can_be_known(plan, index)) continue;
            const core::QuantityInfo info = core::describe(plan, index);
            Property property;
            property.node = node;
            property.id = info.id;
            property.name = capital(info.name);
            property.index = index;
            property.source = value ? Source::measurement : Source::quality;
            if (!value) {
                property.datatype = Datatype::enumeration;
                property.format = quality_format();
            } else if (is_contact(plan, i)) {
                property.datatype = Datatype::boolean;
                property.format = plan.channels[i].normally_open ? "closed,open" : "open,closed";  // false, true
            } else {
                property.datatype = Datatype::number;
                property.unit = core::symbol(info.unit);
                property.format = float_format(plan, index);
            }
            add(std::move(property));
        }
    }
}

void Device::add_limits() {
    const core::Plan& plan = configuration_.plan;
    for (const char* node : {"limits", "levels"}) {
        const bool level = std::string_view{node} == "levels";
        for (std::size_t i = 0; i < plan.limits.size(); ++i) {
            const core::LimitPlan& limit = plan.limits[i];
            Property property;
            property.node = node;
            property.id = limit.id;
            property.name = capital(limit.name.empty() ? limit.id : limit.name);
            property.index = static_cast<std::uint16_t>(i);
            property.source = level ? Source::level : Source::limit;
            property.datatype = level ? Datatype::number : Datatype::enumeration;
            if (level) {
                property.unit = core::symbol(core::describe(plan, limit.watch).unit);
            } else {
                property.format = limit_states;
            }
            add(std::move(property));
        }
    }
}

void Device::add_recorder() {
    const auto in_recorder = [this](std::string id, std::string name, Source source, std::size_t index) {
        Property property;
        property.node = "recorder";
        property.id = std::move(id);
        property.name = std::move(name);
        property.datatype = Datatype::json;
        property.source = source;
        property.index = static_cast<std::uint16_t>(index);
        add(std::move(property));
    };
    in_recorder("transmissions", "The last transmissions", Source::transmissions, 0);
    for (std::size_t i = 0; i < LatestHistory::places; ++i) {
        in_recorder(fmt::format("capture-{}", i + 1),
                    fmt::format("Seconds around a trip, place {} of {}", i + 1, LatestHistory::places), Source::capture,
                    i);
    }
}

void Device::add_service() {
    const auto in_service = [this](const char* id, const char* name, Datatype datatype, const char* format,
                                   const char* unit, Source source) {
        Property property;
        property.node = "service";
        property.id = id;
        property.name = name;
        property.datatype = datatype;
        property.format = format;
        property.unit = unit;
        property.source = source;
        add(std::move(property));
    };
    in_service("overruns", "Deadlines that the guard missed", Datatype::integer, "0:", "#", Source::overruns);
    in_service("events-dropped", "Events without room", Datatype::integer, "0:", "#", Source::events_dropped);
    in_service("events-waiting", "Events not delivered yet", Datatype::integer, "0:", "#", Source::events_waiting);
    in_service("events-lost", "Events lost before delivery", Datatype::integer, "0:", "#", Source::events_lost);
    in_service("storage", "Storage", Datatype::enumeration, "good,failing", "", Source::storage);
    in_service("captures", "Captures of trips since the start", Datatype::integer, "0:", "#", Source::captures);
    in_service("records-waiting", "Captures and log rows not written yet", Datatype::integer, "0:", "#",
               Source::records_waiting);
    in_service("records-dropped", "Captures and log rows given up", Datatype::integer, "0:", "#",
               Source::records_dropped);
    in_service("steps-lost", "Decisions that no capture can show", Datatype::integer, "0:", "#", Source::steps_lost);
    in_service("failed-writes", "Tries to write that failed", Datatype::integer, "0:", "#", Source::failed_writes);
    in_service("clock", "Clock", Datatype::enumeration, "synchronised,not synchronised", "", Source::clock);
    in_service("proof", "Proof test", Datatype::string, "", "", Source::proof);
    in_service("plan", "Levels of the limits, as configured", Datatype::json, "", "", Source::plan);
    in_service("sensors", "What each sensor was worth since the start", Datatype::json, "", "", Source::sensors);
    in_service("recent", "The last events", Datatype::json, "", "", Source::recent);
    in_service("summary", "Everything in one object, each second", Datatype::json, "", "", Source::summary);
}

const Property* Device::find(std::string_view topic) const noexcept {
    for (const Property& property : properties_) {
        if (property.topic == topic) return &property;
    }
    return nullptr;
}

std::string Device::description(std::int64_t version) const {
    nlohmann::ordered_json json;
    json["homie"] = "5.0";
    json["version"] = version;
    json["name"] = configuration_.name.empty() ? configuration_.id : configuration_.name;
    json["nodes"] = nlohmann::ordered_json::object();
    for (const auto& [id, name] : nodes) {
        nlohmann::ordered_json properties = nlohmann::ordered_json::object();
        for (const Property& property : properties_) {
            if (property.node != id) continue;
            nlohmann::ordered_json one{{"name", property.name}, {"datatype", text(property.datatype)}};
            if (!property.format.empty()) one["format"] = property.format;
            if (!property.unit.empty()) one["unit"] = property.unit;
            if (property.settable) one["settable"] = true;
            if (!property.retained) one["retained"] = false;
            properties[property.id] = std::move(one);
        }
        if (!properties.empty()) json["nodes"][id] = {{"name", name}, {"properties", std::move(properties)}};
    }
    return json.dump(-1, ' ', false, replace_broken);
}

Value Device::value(const Property& property, const core::Snapshot& snapshot, const Surroundings& around) const {
    const core::Plan& plan = configuration_.plan;
    switch (property.source) {
        case Source::permit: return words(formats::may_transmit(snapshot) ? "true" : "false");
        case Source::state: return words(core::text(snapshot.state));
        case Source::reason: return sentence(around.reason);
        case Source::advice: return sentence(formats::back_off_text(plan, snapshot));
        case Source::held: return words(held(snapshot.memory));
        case Source::measurement: {
            const core::Reading& reading = snapshot.quantities[property.index];
            if (!has_number(reading)) return {};
            if (property.datatype == Datatype::boolean) return words(reading.value >= 0.5 ? "true" : "false");
            return {.text = formats::to_words(reading.value, core::describe(plan, property.index).unit),
                    .number = reading.value};
        }
        case Source::quality: return words(quality(snapshot.quantities[property.index]));
        case Source::limit: return words(limit_state(snapshot, property.index));
        case Source::level: {
            // A level that holds only while commissioning is none at other times.
            if (snapshot.standing[property.index] == core::Standing::not_commissioning) return {};
            return words(fmt::format("{:.6g}", plan.limits[property.index].trip));
        }
        case Source::overruns: return whole(snapshot.overruns);
        case Source::events_dropped: return whole(snapshot.events_dropped);
        case Source::events_waiting: return whole(around.events_waiting);
        case Source::events_lost: return whole(around.events_lost);
        case Source::storage: return words(around.storage_fails ? "failing" : "good");
        case Source::captures: return whole(around.captures);
        case Source::records_waiting: return whole(around.records_waiting);
        case Source::records_dropped: return whole(around.records_dropped);
        case Source::steps_lost: return whole(around.steps_lost);
        case Source::failed_writes: return whole(around.failed_writes);
        case Source::clock: return words(around.stamp.synchronised ? "synchronised" : "not synchronised");
        case Source::proof: return sentence(around.proof);
        case Source::plan: return words(plan_);
        case Source::recent: return words(around.recent.empty() ? "[]" : around.recent);
        case Source::sensors: {
            return words(formats::channels_json(plan, snapshot).dump(-1, ' ', false, replace_broken));
        }
        case Source::transmissions: return words(around.kept.transmissions);
        case Source::capture: {
            // Without a trip since the start there is no value.
            const std::string& outline = around.kept.captures[property.index];
            return outline.empty() ? Value{} : words(outline);
        }
        case Source::command:
        case Source::summary: break;
    }
    return {};
}

std::string Device::summary(const core::Snapshot& snapshot, const Surroundings& around) const {
    const core::Plan& plan = configuration_.plan;
    nlohmann::ordered_json json;
    json["wall"] = formats::to_iso(around.stamp.since_1970);
    json["synchronised"] = around.stamp.synchronised;
    json["sequence"] = snapshot.sequence;
    json["permit"] = formats::may_transmit(snapshot);
    json["state"] = core::text(snapshot.state);
    json["reason"] = around.reason;
    json["held"] = held(snapshot.memory);
    json["monitor_only"] = snapshot.monitor_only;
    json["commissioning_left_s"] = snapshot.commissioning_until
                                       ? whole_seconds(*snapshot.commissioning_until - snapshot.now)
                                       : nlohmann::ordered_json(nullptr);
    json["proof"] = {{"phase", core::text(snapshot.proof.phase)}, {"text", around.proof}};
    json["rf"] = snapshot.rf_present;
    json["transmitting_s"] = snapshot.transmitting_since ? whole_seconds(snapshot.now - *snapshot.transmitting_since)
                                                         : nlohmann::ordered_json(nullptr);
    const std::optional<core::Duration> left = formats::settling_left(plan, snapshot);
    json["settling_left_s"] =
        left ? whole_seconds(*left + std::chrono::milliseconds{999}) : nlohmann::ordered_json(nullptr);
    nlohmann::ordered_json values = nlohmann::ordered_json::object();
    nlohmann::ordered_json spans = nlohmann::ordered_json::object();
    nlohmann::ordered_json not_good = nlohmann::ordered_json::object();
    for (const Property& property : properties_) {
        if (property.source != Source::measurement) continue;
        const core::Reading& reading = snapshot.quantities[property.index];
        // Three digits behind the point are finer than any of these can be measured.
        values[property.id] = has_number(reading) ? nlohmann::ordered_json(std::round(reading.value * 1000.0) / 1000.0)
                                                  : nlohmann::ordered_json(nullptr);
        if (nlohmann::ordered_json span = formats::span_json(reading); !span.is_null()) {
            spans[property.id] = std::move(span);
        }
        if (reading.health != core::Health::good) not_good[property.id] = quality(reading);
    }
    json["values"] = std::move(values);
    json["span"] = std::move(spans);
    json["quality"] = std::move(not_good);
    nlohmann::ordered_json causes = nlohmann::ordered_json::array();
    for (std::size_t source = 0; source < snapshot.causes.size(); ++source) {
        if (!snapshot.causes[source].active) continue;
        const auto index = static_cast<core::SourceIndex>(source);
        nlohmann::ordered_json cause{{"id", alert_id(plan, index)}};
        cause.update(formats::cause_json(plan, snapshot, index));
        causes.push_back(std::move(cause));
    }
    json["causes"] = std::move(causes);
    nlohmann::ordered_json resting = nlohmann::ordered_json::object();
    for (std::size_t limit = 0; limit < snapshot.standing.size(); ++limit) {
        const core::Standing standing = snapshot.standing[limit];
        if (core::rests(standing)) resting[plan.limits[limit].id] = core::text(standing);
    }
    json["resting"] = std::move(resting);
    json["events_waiting"] = around.events_waiting;
    return json.dump(-1, ' ', false, replace_broken);
}

std::map<std::string, Alert> Device::alerts(const core::Snapshot& snapshot) const {
    const core::Plan& plan = configuration_.plan;
    std::map<std::string, Alert> standing;
    for (std::size_t i = 0; i < snapshot.causes.size(); ++i) {
        const core::Cause& cause = snapshot.causes[i];
        if (!cause.active) continue;
        const auto source = static_cast<core::SourceIndex>(i);
        const auto quantity = formats::quantity_of(plan, source);
        const std::string words =
            formats::cause_in_words(plan, source, cause, quantity ? &snapshot.quantities[*quantity] : nullptr);
        standing[alert_id(plan, source)] = {words + (cause.latched ? ". Latched until an operator resets it." : "."),
                                            cause.latched};
    }
    for (std::size_t limit = 0; limit < snapshot.warnings.size(); ++limit) {
        if (snapshot.warnings[limit] == 0 || snapshot.causes[limit].active) continue;
        core::Event event;
        event.kind = core::EventKind::warning;
        event.source = static_cast<core::SourceIndex>(limit);
        event.reading = snapshot.quantities[plan.limits[limit].watch];
        standing["warning-" + plan.limits[limit].id] = {formats::sentence(plan, event), false};
    }
    for (std::size_t channel = 0; channel < snapshot.channels.size(); ++channel) {
        if (!snapshot.channels[channel].frozen) continue;
        const std::string name = capital(core::describe(plan, static_cast<core::QuantityIndex>(channel)).name);
        standing["frozen-" + plan.channels[channel].id] = {
            name + " has read exactly the same for too long: is it still connected?", false};
    }
    for (const formats::Accepted& accepted : configuration_.accepted) {
        // A word may be a dotted key; ids here are of hyphens.
        std::string id = "accepted-" + accepted.word;
        std::replace_if(
            id.begin(), id.end(), [](char c) { return c == '.' || c == '_'; }, '-');
        standing[id] = {"Accepted by the configuration: " + accepted.what + ".", false};
    }
    if (snapshot.commissioning_until) {
        standing["commissioning"] = {"Commissioning: provisional limits, and power that nobody has calibrated.", false};
    }
    if (snapshot.proof.phase != core::ProofPhase::none) {
        standing["proof-test"] = {"A proof test runs: the line may go to permit for moments, and readings are forced.",
                                  false};
    }
    if (snapshot.memory.locked_out) {
        standing["locked-out"] = {"Locked out: an operator must find out why, and reset it.", true};
    }
    if (snapshot.memory.first_start) {
        standing["first-start"] = {"First start: an operator must reset it once.", true};
    }
    if (snapshot.memory.unreadable) {
        standing["state-unreadable"] = {"What was latched before the start can't be read, so it counts as latched.",
                                        true};
    }
    return standing;
}

std::string alert_id(const core::Plan& plan, core::SourceIndex source) {
    const core::SourceInfo info = core::describe_source(plan, source);
    std::string id = fmt::format("{}{}", prefix(info.kind), info.id);
    for (char& c : id) {
        const bool fits = (c >= 'a' && c <= 'z') || (c >= '0' && c <= '9') || c == '-';
        if (!fits) c = '-';
    }
    return id;
}

double dead_band(core::Unit unit, double value) noexcept {
    const double size = std::fabs(value);
    switch (unit) {
        case core::Unit::celsius: return 0.2;
        case core::Unit::watt: return std::max(0.01, 0.01 * size);
        case core::Unit::dbm:
        case core::Unit::decibel: return 0.1;
        case core::Unit::volt:
        case core::Unit::ampere: return std::max(0.02, 0.002 * size);
        case core::Unit::rpm: return std::max(10.0, 0.01 * size);
        case core::Unit::percent: return 0.5;
        case core::Unit::kelvin_per_watt:
        case core::Unit::none: return std::max(0.01, 0.01 * size);
        case core::Unit::second: return std::max(1.0, 0.02 * size);
    }
    return 0.0;
}

std::string_view log_level(core::Severity severity) noexcept {
    switch (severity) {
        case core::Severity::notice:
        case core::Severity::good: return "info";
        case core::Severity::warning: return "warn";
        case core::Severity::alarm: break;
    }
    return "error";
}

std::string_view text(Refusal refusal) noexcept {
    switch (refusal) {
        case Refusal::retained: return "it was retained by the broker";
        case Refusal::duplicate: return "it was sent a second time";
        case Refusal::late: return "it came where the broker could have kept it waiting";
        case Refusal::oversized: return "it is too long";
        case Refusal::malformed: return "its payload is not the command's name";
        case Refusal::not_allowed: return "the configuration doesn't allow it remotely";
        case Refusal::unknown: return "there is no such command";
    }
    return "unknown";
}

std::variant<CommandKind, Refusal> judge_command(const Device& device, const formats::MqttConfig& mqtt,
                                                 const Incoming& message, bool late) {
    constexpr std::size_t longest = 16;
    if (message.retained) return Refusal::retained;
    if (message.duplicate) return Refusal::duplicate;
    if (late) return Refusal::late;
    std::optional<CommandKind> kind;
    for (const CommandKind one : {CommandKind::hold, CommandKind::release, CommandKind::reset}) {
        if (message.topic == fmt::format("{}/permit/{}/set", device.base(), core::text(one))) kind = one;
    }
    if (!kind) return Refusal::unknown;
    if (message.size > longest) return Refusal::oversized;
    if (message.size != message.payload.size() || message.payload != core::text(*kind)) return Refusal::malformed;
    if ((*kind == CommandKind::release && !mqtt.remote_release) ||
        (*kind == CommandKind::reset && !mqtt.remote_reset)) {
        return Refusal::not_allowed;
    }
    return *kind;
}

}  // namespace dekeyd::homie
