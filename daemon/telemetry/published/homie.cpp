#include "telemetry/published/homie.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <nlohmann/json.hpp>

#include "messages/exposure_json.hpp"
#include "messages/overview.hpp"
#include "messages/snapshot_json.hpp"
#include "words/back_off_text.hpp"
#include "words/event_text.hpp"
#include "words/reason.hpp"
#include "words/unit_table.hpp"

namespace dekeyd::homie {
namespace {

constexpr auto replace_broken = nlohmann::json::error_handler_t::replace;
/// What the configuration fixes.
nlohmann::ordered_json configured_json(const formats::Configuration& configuration) {
    nlohmann::ordered_json json = formats::to_json(formats::plan_of(configuration.plan));
    json["exposure"] = formats::exposure_json(configuration);
    return json;
}

}  // namespace

Device::Device(const formats::Configuration& configuration)
    : configuration_{configuration},
      base_{"homie/5/" + configuration.id},
      event_topic_{"dekeyd/" + configuration.id + "/event"},
      configured_{configured_json(configuration).dump(-1, ' ', false, replace_broken)},
      properties_{properties_of(configuration, base_)} {}

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
    for (const Node& node : nodes()) {
        nlohmann::ordered_json properties = nlohmann::ordered_json::object();
        for (const Property& property : properties_) {
            if (property.node != node.id) continue;
            nlohmann::ordered_json one{{"name", property.name}, {"datatype", text(property.datatype)}};
            if (!property.format.empty()) one["format"] = property.format;
            if (!property.unit.empty()) one["unit"] = property.unit;
            if (property.settable()) one["settable"] = true;
            if (!property.retained()) one["retained"] = false;
            properties[property.id] = std::move(one);
        }
        if (!properties.empty()) json["nodes"][node.id] = {{"name", node.name}, {"properties", std::move(properties)}};
    }
    return json.dump(-1, ' ', false, replace_broken);
}

Value Device::value(const Property& property, const core::Snapshot& snapshot, const Context& around) const {
    return property.value({configuration_.plan, snapshot, around, configured_}, property.index);
}

formats::LiveSummary Device::summary(const core::Snapshot& snapshot, const Context& around) const {
    const core::Plan& plan = configuration_.plan;
    formats::LiveSummary summary = formats::summary_of(plan, snapshot);
    summary.wall = formats::to_iso(around.stamp.since_1970);
    summary.synchronised = around.stamp.synchronised;
    summary.reason = around.reason;
    summary.held = held_by(snapshot.memory);
    summary.holds = formats::holds_of(snapshot.memory, around.notes, around.stamp.since_1970);
    summary.proof.text = around.proof;
    for (std::size_t i = 0; i < snapshot.causes.size(); ++i) {
        if (!snapshot.causes[i].active) continue;
        const auto source = static_cast<core::SourceIndex>(i);
        summary.causes.push_back(formats::cause_of(plan, snapshot, source));
        summary.causes.back().id = alert_id(plan, source);
    }
    summary.events_waiting = around.events_waiting;
    return summary;
}

namespace {

/// A cause that stands because of this channel has an alert of its own.
bool of_a_cause(const core::Plan& plan, const core::Snapshot& snapshot, std::size_t channel) {
    for (std::size_t i = 0; i < snapshot.causes.size(); ++i) {
        if (!snapshot.causes[i].active) continue;
        if (formats::quantity_of(plan, static_cast<core::SourceIndex>(i)) == channel) return true;
    }
    return false;
}

}  // namespace

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
        if (snapshot.channels[channel].told && !of_a_cause(plan, snapshot, channel)) {
            core::Event event;
            event.kind = core::EventKind::sensor_lost;
            event.source = static_cast<core::SourceIndex>(plan.limits.size() + channel);
            event.reading = snapshot.quantities[channel];
            standing["lost-" + plan.channels[channel].id] = {formats::sentence(plan, event), false};
        }
        if (!snapshot.channels[channel].frozen) continue;
        const std::string name = formats::capital(core::describe(plan, static_cast<core::QuantityIndex>(channel)).name);
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
        standing["commissioning"] = {"Commissioning: provisional limits, and detectors that are not calibrated yet.",
                                     false};
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
        standing["state-unreadable"] = {"The latches of before the start can't be read, so all counts as latched.",
                                        true};
    }
    return standing;
}

std::string alert_id(const core::Plan& plan, core::SourceIndex source) {
    const core::SourceInfo info = core::describe_source(plan, source);
    std::string id{info.id};  // no other source has a built-in cause's
    if (info.kind != core::SourceInfo::Kind::builtin)
        id = fmt::format("{}-{}", core::source_prefix_words.of(info.kind), info.id);
    for (char& c : id) {
        const bool fits = (c >= 'a' && c <= 'z') || (c >= '0' && c <= '9') || c == '-';
        if (!fits) c = '-';
    }
    return id;
}

double dead_band(core::Unit unit, double value) noexcept {
    const formats::UnitRow& row = formats::row_of(unit);
    return std::max(row.least_change, row.least_share * std::fabs(value));
}

std::variant<Asked, Refusal> check_command(const Device& device, const formats::MqttConfig& mqtt,
                                           const Incoming& message, bool late) {
    constexpr std::size_t longest = 16;
    if (message.retained) return Refusal::retained;
    if (message.duplicate) return Refusal::duplicate;
    for (const formats::RemoteRule& command : formats::remote_rules) {
        const std::string_view word = core::text(command.kind);
        if (message.topic != fmt::format("{}/permit/{}/set", device.base(), word)) continue;
        // Empty is what a retained message's clearing looks like to those who listen.
        if (command.kind == core::CommandKind::hold && message.size > 0) {
            std::string reason = formats::reason_of_bytes(message.payload);
            return Asked{command.kind, reason == word ? std::string{} : std::move(reason)};
        }
        if (late) return Refusal::late;
        if (message.size > longest) return Refusal::oversized;
        if (message.size != message.payload.size() || message.payload != word) return Refusal::malformed;
        if (!command.allows(mqtt)) return Refusal::not_allowed;
        return Asked{command.kind, {}};
    }
    return late ? Refusal::late : Refusal::unknown;
}

}  // namespace dekeyd::homie
