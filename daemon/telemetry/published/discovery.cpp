#include "telemetry/published/discovery.hpp"

#include <fmt/format.h>
#include <fmt/ranges.h>
#include <spdlog/spdlog.h>

#include <algorithm>
#include <cmath>
#include <dekeyd_version.hpp>
#include <nlohmann/json.hpp>
#include <utility>

#include "base/durable_file.hpp"
#include "base/sealed.hpp"
#include "messages/overview.hpp"
#include "plan/standing.hpp"
#include "words/unit_table.hpp"

namespace dekeyd::homie {
namespace {

using Json = nlohmann::ordered_json;

/// What the hold gives as its reason: a button has no text of its own.
constexpr std::string_view button_reason = "by a home dashboard";
/// So many characters of a text are shown; the form takes no more as a state.
constexpr int longest_state = 255;
/// A value is too old once two were missed, and some for a slow broker.
constexpr core::Duration patience = std::chrono::seconds{5};

/// The form's word for what a component is.
std::string_view kind_of(Face face) noexcept {
    switch (face) {
        case Face::none: break;
        case Face::reading:
        case Face::counter: return "sensor";
        case Face::flag:
        case Face::problem:
        case Face::sound: return "binary_sensor";
        case Face::button: return "button";
    }
    return "";
}

/// The form's class for a unit's symbol.
std::string_view class_of(std::string_view symbol) noexcept {
    const auto unit = core::unit_symbols.find(symbol);
    return unit ? formats::row_of(*unit).home : "";
}

/// A template that is "online" where the payload is one of these.
std::string online_if(const std::vector<std::string_view>& words) {
    return fmt::format("{{{{ 'online' if value in ['{}'] else 'offline' }}}}", fmt::join(words, "', '"));
}

Json guard_answers(const Device& device) {
    return {{"topic", device.state_topic()}, {"value_template", online_if({"ready"})}};
}

/// The words of quality with which there is a number.
std::vector<std::string_view> words_with_number() {
    std::vector<std::string_view> words;
    for (int health = 0; health <= static_cast<int>(core::Health::above_range); ++health) {
        const core::Reading reading{
            .value = 1.0, .health = static_cast<core::Health>(health), .fault = core::Fault::none};
        if (formats::has_number(reading)) words.push_back(formats::quality(reading));
    }
    return words;
}

void describe_reading(const Property& property, Json& one) {
    // A value that is taken away is an empty payload, which a reader of the form would pass over.
    constexpr std::string_view number_or_none = "{{ value or 'None' }}";
    switch (property.datatype) {
        case Datatype::number:
        case Datatype::integer:
            if (property.datatype == Datatype::number) {
                if (!property.unit.empty()) one["unit_of_measurement"] = property.unit;
                if (const auto word = class_of(property.unit); !word.empty()) one["device_class"] = word;
            }
            one["state_class"] = property.shown.face == Face::counter ? "total_increasing" : "measurement";
            one["value_template"] = number_or_none;
            return;
        case Datatype::enumeration: {
            one["device_class"] = "enum";
            one["options"] = Json::array();
            for (std::string_view words = property.format; !words.empty();) {
                const std::size_t end = std::min(words.find(','), words.size());
                one["options"].push_back(words.substr(0, end));
                words.remove_prefix(std::min(end + 1, words.size()));
            }
            return;
        }
        case Datatype::string:
            // An empty text is one zero byte.
            one["value_template"] = fmt::format("{{{{ value[:{}] if value | length > 1 else '-' }}}}", longest_state);
            return;
        case Datatype::boolean:
        case Datatype::json: return;
    }
}

std::string name_of(const Property& property) {
    for (const Node& node : nodes()) {
        if (node.id == property.node && !node.aside.empty()) return fmt::format("{}: {}", property.name, node.aside);
    }
    return property.name;
}

std::string component_id(const Property& property) {
    return fmt::format("{}-{}", property.node, property.id);
}

Json component(const formats::Configuration& configuration, const Device& device, const Property& property) {
    const Shown shown = property.shown;
    Json one{{"platform", kind_of(shown.face)},
             {"unique_id", fmt::format("dekeyd-{}-{}", configuration.id, component_id(property))},
             {"name", name_of(property)}};
    if (shown.face == Face::button) {
        one["command_topic"] = property.topic + "/set";
        // A command's word; a hold's payload is its reason.
        one["payload_press"] = property.datatype == Datatype::string ? std::string{button_reason} : property.format;
        one["retain"] = false;
    } else {
        one["state_topic"] = property.topic;
    }
    if (kind_of(shown.face) == "binary_sensor") {
        one["payload_on"] = shown.face == Face::sound ? "false" : "true";
        one["payload_off"] = shown.face == Face::sound ? "true" : "false";
        if (shown.face != Face::flag) one["device_class"] = "problem";
    } else if (shown.face != Face::button) {
        describe_reading(property, one);
    }
    if (const auto again = sent_again(property, configuration.mqtt.value()))
        one["expire_after"] = static_cast<int>(std::ceil(std::chrono::duration<double>{2 * *again + patience}.count()));
    if (shown.rank >= Rank::diagnostic) one["entity_category"] = "diagnostic";
    if (shown.rank == Rank::hidden) one["enabled_by_default"] = false;
    const std::string quality = fmt::format("{}/quality/{}", device.base(), property.id);
    if (property.pace == Pace::measured && device.find(quality) != nullptr) {
        one["availability"] = {guard_answers(device),
                               {{"topic", quality}, {"value_template", online_if(words_with_number())}}};
        one["availability_mode"] = "all";
    }
    return one;
}

/// A contact that tells how something stands, and is no interlock.
bool is_status(const core::Roles& roles, core::QuantityIndex channel) noexcept {
    return roles.enable_sense == channel || roles.key_sense == channel || roles.contactor_sense == channel;
}

}  // namespace

Shown shown_quantity(const core::Plan& plan, core::QuantityIndex quantity) {
    const bool judged = std::any_of(plan.limits.begin(), plan.limits.end(), [&](const core::LimitPlan& limit) {
        return limit.watch == quantity && core::may_trip(limit, {});
    });
    const bool measured = quantity < plan.channels.size();
    const bool contact = measured && plan.channels[quantity].kind == core::ChannelKind::contact;
    const Face of_contact = is_status(plan.roles, quantity) ? Face::flag : Face::sound;
    return {contact ? of_contact : Face::reading, measured || judged ? Rank::shown : Rank::hidden};
}

std::optional<core::Duration> sent_again(const Property& property, const formats::MqttConfig& mqtt) noexcept {
    constexpr core::Duration vital_at_most = std::chrono::seconds{5};
    constexpr int rarer = 10;
    if (!property.retained()) return std::nullopt;
    if (property.pace == Pace::measured) return mqtt.slowest;
    if (mqtt.discovery_prefix.empty() || property.shown.face == Face::none) return std::nullopt;
    switch (property.shown.rank) {
        case Rank::vital: return std::min(vital_at_most, mqtt.slowest);
        case Rank::shown: return mqtt.slowest;
        case Rank::diagnostic:
        case Rank::hidden: break;
    }
    return rarer * mqtt.slowest;
}

std::string discovery_topic(std::string_view prefix, std::string_view id) {
    return fmt::format("{}/device/{}/config", prefix, id);
}

std::set<std::string> discovery_components(const Device& device) {
    std::set<std::string> all;
    for (const Property& property : device.properties()) {
        if (property.shown.face == Face::none) continue;
        all.insert(fmt::format("{} {}", component_id(property), kind_of(property.shown.face)));
    }
    return all;
}

std::string discovery_document(const formats::Configuration& configuration, const Device& device,
                               std::string_view version, const std::set<std::string>& gone) {
    Json json;
    json["device"] = {{"identifiers", {"dekeyd-" + configuration.id}},
                      {"name", configuration.name.empty() ? configuration.id : configuration.name},
                      {"model", "interlock of a power amplifier"},
                      {"sw_version", version}};
    json["origin"] = {{"name", "dekeyd"}, {"sw_version", version}};
    json["availability"] = Json::array({guard_answers(device)});
    json["qos"] = 1;
    json["components"] = Json::object();
    for (const Property& property : device.properties()) {
        if (property.shown.face == Face::none) continue;
        json["components"][component_id(property)] = component(configuration, device, property);
    }
    for (const std::string& one : gone) {
        const std::size_t blank = one.find(' ');
        json["components"][one.substr(0, blank)] = {{"platform", one.substr(blank + 1)}};
    }
    return json.dump(-1, ' ', false, nlohmann::json::error_handler_t::replace);
}

}  // namespace dekeyd::homie

namespace dekeyd {
namespace {

constexpr std::size_t largest_memory = 64UL * 1024;
constexpr std::size_t most_remembered_topics = 16, most_remembered_components = 400;
constexpr std::string_view topic_line = "topic ", component_line = "component ";

}  // namespace

Discovery::Discovery(const formats::Configuration& configuration, const homie::Device& device, std::string folder,
                     Outbox& outbox)
    : configuration_{configuration},
      device_{device},
      file_{std::move(folder) + "/discovery"},
      outbox_{outbox},
      topic_{configuration.mqtt->discovery_prefix.empty()
                 ? std::string{}
                 : homie::discovery_topic(configuration.mqtt->discovery_prefix, configuration.id)} {}

void Discovery::begin_session() {
    announced_ = given_up_ = false;
    underway_.reset();
}

/// A file that is damaged has nothing: what it named stays at the broker until an operator removes it by hand.
void Discovery::recall() {
    recalled_ = true;
    const formats::FileBytes file = formats::read_whole(file_, largest_memory);
    const auto text = file.ok() ? formats::unsealed_text(file.bytes) : std::nullopt;
    if (!text) return;
    formats::each_line(*text, [&](std::string_view line, std::size_t) {
        if (line.starts_with(topic_line) && topics_.size() < most_remembered_topics)
            topics_.emplace(line.substr(topic_line.size()));
        if (line.starts_with(component_line) && components_.size() < most_remembered_components &&
            line.find(' ', component_line.size()) != std::string_view::npos)
            components_.emplace(line.substr(component_line.size()));
    });
    // At another topic they go with the document.
    if (topics_.count(topic_) == 0) components_.clear();
}

void Discovery::remember() {
    std::string text;
    for (const std::string& topic : topics_) text += fmt::format("{}{}\n", topic_line, topic);
    for (const std::string& one : components_) text += fmt::format("{}{}\n", component_line, one);
    const std::string trouble = formats::write_durably(file_, formats::sealed_text(std::move(text)));
    if (!trouble.empty()) spdlog::warn("{}", trouble);
}

void Discovery::send(core::Instant now) {
    if (underway_ || given_up_) return;
    if (!recalled_) recall();
    if (!topic_.empty() && !announced_) {
        const std::set<std::string> present = homie::discovery_components(device_);
        std::set<std::string> gone, all = present;
        std::set_difference(components_.begin(), components_.end(), present.begin(), present.end(),
                            std::inserter(gone, gone.end()));
        all.insert(gone.begin(), gone.end());
        // Before the broker may have it.
        const bool new_topic = topics_.insert(topic_).second;
        if (std::exchange(components_, all) != all || new_topic) remember();
        const std::string document = homie::discovery_document(configuration_, device_, dekeyd_version, gone);
        if (outbox_.send(
                {.topic = topic_, .payload = document, .purpose = Purpose::discovery, .keep_free = Outbox::spare_slots},
                now))
            underway_ = topic_;
        return;
    }
    const auto old =
        std::find_if(topics_.begin(), topics_.end(), [&](const std::string& topic) { return topic != topic_; });
    if (old == topics_.end()) return;
    if (outbox_.send({.topic = *old, .payload = "", .purpose = Purpose::discovery, .keep_free = Outbox::spare_slots},
                     now))
        underway_ = *old;
}

void Discovery::taken() {
    const auto topic = std::exchange(underway_, std::nullopt);
    if (!topic) return;
    if (*topic == topic_) {
        announced_ = true;
        return;
    }
    topics_.erase(*topic);
    if (topic_.empty() && topics_.empty()) components_.clear();
    remember();
}

void Discovery::refused(const std::string& why) {
    spdlog::warn(
        "the broker doesn't take the discovery document at {}: {}; home dashboards don't find the amplifier by "
        "themselves; expected a rule that lets its user write there (config/examples/broker)",
        underway_.value_or(topic_), why);
    underway_.reset();
    given_up_ = true;
}

}  // namespace dekeyd
