#include "telemetry/received/signal_intake.hpp"

#include <spdlog/spdlog.h>

#include <algorithm>

namespace dekeyd {

SignalIntake::SignalIntake(const formats::Configuration& configuration, Outbox& outbox, MqttLink& link)
    : outbox_{outbox}, readings_{configuration.signal.value_or(formats::SignalConfig{})} {
    if (!configuration.signal) return;
    for (const auto& received : *configuration.signal) topics_.push_back(received ? received->topic : std::string{});
    link.keep_newest_of(topics_);
}

void SignalIntake::begin_session() noexcept {
    next_ = 0;
    underway_ = false;
}

void SignalIntake::ask(core::Instant now) {
    while (next_ < topics_.size() && topics_[next_].empty()) ++next_;
    if (underway_ || next_ >= topics_.size()) return;
    underway_ = outbox_.subscribe(topics_[next_], 0, Purpose::received, now);
}

void SignalIntake::refused(const std::string& why) {
    if (!underway_) return;
    spdlog::warn("the broker refused the subscription to {}: {}; nothing of the signal is known from there",
                 topics_[next_], why);
    agreed();
}

bool SignalIntake::hear(const homie::Incoming& message, bool with_rf, core::Instant now) {
    const auto topic = std::find(topics_.begin(), topics_.end(), message.topic);
    if (topic == topics_.end() || topic->empty()) return false;
    // A message that the broker or a stalled connection has kept, or sends again, is of unknown age.
    const bool kept = message.retained || message.duplicate || outbox_.stood_still(now);
    // A part of a payload is none.
    const bool whole = message.size == message.payload.size();
    readings_.take(static_cast<formats::SignalMeasure>(topic - topics_.begin()),
                   {.payload = whole ? std::string_view{message.payload} : std::string_view{},
                    .at = now,
                    .kept = kept,
                    .with_rf = with_rf});
    return true;
}

}  // namespace dekeyd
