// Commands that come by MQTT: which are passed on to the guard, and which are refused here and why. The guard judges
// again, by who asks.
#pragma once

#include <map>
#include <optional>

#include "base/log.hpp"
#include "telemetry/guard_view.hpp"
#include "telemetry/outbox.hpp"
#include "telemetry/published/homie.hpp"

namespace dekeyd {

class CommandIntake {
public:
    CommandIntake(const formats::MqttConfig& mqtt, const homie::Device& device, GuardView& guard, Outbox& outbox)
        : mqtt_{mqtt}, device_{device}, guard_{guard}, outbox_{outbox} {}

    /// Asks the broker for commands, unless it has been asked in this session. False: no room.
    bool subscribe(core::Instant now);
    /// The broker has agreed.
    void subscribed(core::Instant now) { listening_since_ = now; }
    void end_session() { listening_since_.reset(); }
    /// From here on a command that comes is one that was just sent: what waited at the broker has come.
    [[nodiscard]] bool hears_the_present(core::Instant now) const noexcept;

    /// A message on a topic that ends in /set.
    void hear(const homie::Incoming& message, core::Instant now);

private:
    const formats::MqttConfig& mqtt_;
    const homie::Device& device_;
    GuardView& guard_;
    Outbox& outbox_;
    std::optional<core::Instant> listening_since_;
    std::map<homie::Refusal, RateLimit> refused_;
    RateLimit not_passed_on_{std::chrono::seconds{60}};
};

}  // namespace dekeyd
