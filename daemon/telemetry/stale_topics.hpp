// Retained topics of ours from an earlier life: a property that the description no longer has, an alert that is over.
// The broker sends them once to a new subscription; each is taken away.
#pragma once

#include <optional>
#include <set>
#include <string>

#include "telemetry/outbox.hpp"
#include "telemetry/published/alerts.hpp"
#include "telemetry/published/homie.hpp"

namespace dekeyd {

class StaleTopics {
public:
    StaleTopics(const homie::Device& device, const Alerts& alerts, Outbox& outbox, MqttLink& link)
        : device_{device}, alerts_{alerts}, outbox_{outbox}, link_{link} {}

    void begin_session();
    /// Asks the broker for what it has retained.
    void ask(core::Instant now);
    /// A message that the broker had retained.
    void hear(const std::string& topic);
    void send_removals(core::Instant now);

private:
    const homie::Device& device_;
    const Alerts& alerts_;
    Outbox& outbox_;
    MqttLink& link_;
    std::optional<core::Instant> asks_until_;
    std::set<std::string> topics_;
};

}  // namespace dekeyd
