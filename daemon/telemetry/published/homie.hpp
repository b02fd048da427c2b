// The device as the open Homie 5 convention describes it: topics, description, values. Pure: no socket, no clock.
//
// Nodes: permit (may it transmit, why not, commands), measurements (one value a quantity), quality (how far each value
// may be believed), hazards (which danger something stands against), limits (each limit's condition), levels (where
// each trips), recorder (the last trips' curves, the last transmissions), service (the daemon itself).
//
// A quantity that can't be measured has no value: its retained topic is deleted by a zero-length payload, which is how
// the convention takes a value away (a float has no empty value, and NaN is not allowed), and `quality/<the same id>`
// says why. A number that is there is a number that was measured.
//
// Events are no Homie property: the convention wants non-retained properties at QoS 0, and events are delivered at
// least once (QoS 1) under their own number. They are on `dekeyd/<id>/event`; `$log` has them as sentences for people.
#pragma once

#include <cstdint>
#include <map>
#include <optional>
#include <span>
#include <string>
#include <string_view>
#include <variant>
#include <vector>

#include "configuration/configuration.hpp"
#include "core/protection.hpp"
#include "plan/enum_words.hpp"
#include "telemetry/published/homie_properties.hpp"
#include "words/mqtt_messages.hpp"

namespace dekeyd::homie {

struct Alert {
    std::string sentence;  ///< with the readings of now; published once, not with every reading
    bool latched = false;  ///< a change of it is worth another message
};

class Device {
public:
    explicit Device(const formats::Configuration& configuration);

    [[nodiscard]] const std::string& base() const noexcept { return base_; }  ///< homie/5/<id>
    [[nodiscard]] std::string state_topic() const { return base_ + "/$state"; }
    /// The last will, which the broker publishes when the telemetry is gone: the one message that it may keep is for
    /// those who read this.
    [[nodiscard]] std::string permit_topic() const { return base_ + "/permit/permit"; }
    [[nodiscard]] std::string description_topic() const { return base_ + "/$description"; }
    [[nodiscard]] std::string alert_topic(std::string_view id) const { return base_ + "/$alert/" + std::string{id}; }
    [[nodiscard]] std::string log_topic(std::string_view level) const { return base_ + "/$log/" + std::string{level}; }
    [[nodiscard]] const std::string& event_topic() const noexcept { return event_topic_; }

    /// In the order in which they are published: the permit first.
    [[nodiscard]] std::span<const Property> properties() const noexcept { return properties_; }
    [[nodiscard]] const Property* find(std::string_view topic) const noexcept;

    /// The `$description` document. `version` must rise whenever the rest changes.
    [[nodiscard]] std::string description(std::int64_t version) const;

    /// The value now; none for a command, the summary and the pulse.
    [[nodiscard]] Value value(const Property& property, const core::Snapshot& snapshot, const Context& around) const;

    /// One object a second: time and whether it is to be trusted, sequence, permit, state, reason, values or null,
    /// with their intervals, the quality of those that aren't good, and how each cause stands.
    [[nodiscard]] formats::LiveSummary summary(const core::Snapshot& snapshot, const Context& around) const;

    /// Alerts that stand, by id: causes, warnings, and what keeps it latched beside them.
    [[nodiscard]] std::map<std::string, Alert> alerts(const core::Snapshot& snapshot) const;

private:
    const formats::Configuration& configuration_;
    std::string base_;
    std::string event_topic_;
    std::string configured_;  ///< what the configuration fixes, as JSON
    std::vector<Property> properties_;
};

/// Smallest change that is worth a message before the slowest interval has passed, in the unit itself.
double dead_band(core::Unit unit, double value) noexcept;

/// An alert's id for a source that is a cause: limit-heatsink, sensor-forward, or a built-in's own id.
std::string alert_id(const core::Plan& plan, core::SourceIndex source);

// ---- commands --------------------------------------------------------------------------------------------------

struct Incoming {
    std::string topic;    ///< at most what a topic of ours may be long; longer ones are cut, and so unknown
    std::string payload;  ///< at most a reason for a hold; `size` is the true one
    std::size_t size = 0;
    bool retained = false;
    bool duplicate = false;
};

enum class Refusal : std::uint8_t { retained, duplicate, late, oversized, malformed, not_allowed, unknown };
inline constexpr core::Words<Refusal::unknown> refusal_words{"it was retained by the broker",
                                                             "it was sent a second time",
                                                             "it came where the broker could have kept it waiting",
                                                             "it is too long",
                                                             "its payload is not the command's name",
                                                             "the configuration doesn't allow it remotely",
                                                             "there is no such command"};
inline std::string_view text(Refusal value) noexcept {
    return refusal_words.of(value);
}

/// A command that came by MQTT; a hold may have a reason.
struct Asked {
    core::CommandKind kind = core::CommandKind::hold;
    std::string reason{};
};

/// What a message on a `/set` topic asks for, or why nothing is done. The payload is the command's own name; a hold's
/// may be the reason for it instead, and one that is too long is cut rather than refused. `late`: it came where a
/// broker could have queued it; a hold is right at any moment.
std::variant<Asked, Refusal> check_command(const Device& device, const formats::MqttConfig& mqtt,
                                           const Incoming& message, bool late);

}  // namespace dekeyd::homie
