// The amplifier as home dashboards find it: one retained JSON document in the open form of MQTT device discovery, made
// of the Homie properties' own topics. It says which topic is a sensor, a problem or a button; no value is in it.
//
// Nothing there may look current that is not. Each value has an age at which it is no longer available, and is sent
// again before; `$state` says that the guard is lost; a measured value is there while its quality says so. The broker
// says permit `false` in a dead telemetry's stead, and the age ends that too.
#pragma once

#include <optional>
#include <set>
#include <string>
#include <string_view>

#include "base/log.hpp"
#include "telemetry/outbox.hpp"
#include "telemetry/published/homie.hpp"

namespace dekeyd::homie {

/// How a quantity is shown: in front what a sensor measures, and what a limit may trip on.
Shown shown_quantity(const core::Plan& plan, core::QuantityIndex quantity);

/// After how long a value is sent again although nothing has changed; none: never.
std::optional<core::Duration> sent_again(const Property& property, const formats::MqttConfig& mqtt) noexcept;

/// <prefix>/device/<device's id>/config
std::string discovery_topic(std::string_view prefix, std::string_view id);

/// "<node>-<id> <kind>" of each component of the document.
std::set<std::string> discovery_components(const Device& device);

/// The document. `gone`: components of earlier documents, to be taken away by those who have them.
std::string discovery_document(const formats::Configuration& configuration, const Device& device,
                               std::string_view version, const std::set<std::string>& gone);

}  // namespace dekeyd::homie

namespace dekeyd {

/// Announces the document in each session, and takes away those that were announced at other topics. What the broker
/// may have is remembered in a file of the telemetry's folder: topics, and components.
class Discovery {
public:
    /// All references must outlive this.
    Discovery(const formats::Configuration& configuration, const homie::Device& device, std::string folder,
              Outbox& outbox);

    void begin_session();
    /// Once all else has been announced: the document, then an empty one for each topic that has none any more. One
    /// at a time.
    void send(core::Instant now);
    /// The broker has taken what was sent last.
    void taken();
    /// It hasn't; the session goes on without.
    void refused(const std::string& why);

private:
    void recall();
    void remember();

    const formats::Configuration& configuration_;
    const homie::Device& device_;
    std::string file_;
    Outbox& outbox_;
    std::string topic_;  ///< empty: nothing is announced
    bool recalled_ = false;
    bool announced_ = false;               ///< in this session
    bool given_up_ = false;                ///< in this session
    std::set<std::string> topics_;         ///< that the broker may have
    std::set<std::string> components_;     ///< that dashboards may have from `topic_`
    std::optional<std::string> underway_;  ///< the topic of what the broker hasn't answered yet
};

}  // namespace dekeyd
