// Listens to a receiver's topics, and to no other. What comes is shown; nothing of it goes to the guard, and this has
// no way to it.
#pragma once

#include <string>
#include <vector>

#include "telemetry/outbox.hpp"
#include "telemetry/published/homie.hpp"
#include "telemetry/received/signal_readings.hpp"

namespace dekeyd {

class SignalIntake {
public:
    /// Of its topics the newest message alone waits in `link`.
    SignalIntake(const formats::Configuration& configuration, Outbox& outbox, MqttLink& link);

    void begin_session() noexcept;
    /// One subscription at a time, each once a session. At QoS 0: a number that is lost is replaced by the next one,
    /// and nothing waits at the broker.
    void ask(core::Instant now);
    /// The broker has agreed.
    void agreed() noexcept { next_ += underway_ ? 1U : 0U, underway_ = false; }
    /// It hasn't; the session goes on without.
    void refused(const std::string& why);

    /// False: the message is of another topic.
    bool hear(const homie::Incoming& message, bool with_rf, core::Instant now);
    formats::SignalReport report(bool guard_answers, const core::Snapshot& snapshot, core::Instant now) {
        return readings_.report(guard_answers, snapshot, now);
    }

private:
    Outbox& outbox_;
    std::vector<std::string> topics_{};  ///< exact ones, by SignalMeasure; empty: none is configured
    SignalReadings readings_;
    std::size_t next_ = 0;  ///< of `topics_`, to be asked for in this session
    bool underway_ = false;
};

}  // namespace dekeyd
