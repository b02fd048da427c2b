#include "telemetry/outbox.hpp"

#include <algorithm>
#include <utility>

#include "messages/control.hpp"

namespace dekeyd {
namespace {

using namespace std::chrono_literals;

constexpr core::Duration answer_at_most = 20s;
constexpr core::Duration believed_again_after = 2s;  ///< after an answer that was late

}  // namespace

bool Outbox::send(const Message& message, core::Instant now) {
    if (refused_) return false;
    std::uint32_t slot = no_slot;
    std::size_t free = 0;
    for (std::size_t i = 0; i < slots; ++i) {
        if (slots_[i].purpose != Purpose::none) continue;
        ++free;
        if (slot == no_slot) slot = static_cast<std::uint32_t>(i);
    }
    if (free <= message.keep_free || slot == no_slot) return false;
    slots_[slot] = {message.purpose, now, message.purpose == Purpose::alert ? message.topic : std::string{}};
    if (link_.publish(message.topic, message.payload, message.qos, message.retained, slot)) return true;
    slots_[slot] = {};
    refused_ = true;
    return false;
}

bool Outbox::subscribe(const std::string& filter, int qos, Purpose purpose, core::Instant now) {
    const auto slot = std::find_if(slots_.begin(), slots_.begin() + slots,
                                   [](const Slot& one) { return one.purpose == Purpose::none; });
    if (slot == slots_.begin() + slots) return false;
    *slot = {purpose, now, {}};
    if (link_.subscribe(filter, qos, static_cast<std::uint32_t>(slot - slots_.begin()))) return true;
    *slot = {};
    refused_ = true;
    return false;
}

bool Outbox::say_goodbye(const std::string& permit_topic, const std::string& state_topic, core::Instant now) {
    slots_[slots] = slots_[slots + 1] = {Purpose::goodbye, now, {}};
    return link_.publish(permit_topic, "false", 1, true, slots) &&
           link_.publish(state_topic, "disconnected", 1, true, slots + 1);
}

bool Outbox::goodbye_taken() const noexcept {
    return slots_[slots].purpose == Purpose::none && slots_[slots + 1].purpose == Purpose::none;
}

Purpose Outbox::answered(std::uint32_t slot, core::Instant now) {
    if (slot >= slots_.size()) return Purpose::none;
    const Slot was = std::exchange(slots_[slot], {});
    if (was.purpose != Purpose::none && now - was.since > formats::command_life) answered_late_ = now;
    return was.purpose;
}

bool Outbox::any_owed_for(core::Duration time, core::Instant now) const noexcept {
    return std::any_of(slots_.begin(), slots_.end(),
                       [&](const Slot& one) { return one.purpose != Purpose::none && now - one.since > time; });
}

bool Outbox::broker_is_silent(core::Instant now) const noexcept {
    return any_owed_for(answer_at_most, now);
}

bool Outbox::stood_still(core::Instant now) const noexcept {
    return any_owed_for(formats::command_life, now) || (answered_late_ && now - *answered_late_ < believed_again_after);
}

std::vector<std::string> Outbox::alerts_on_their_way() const {
    std::vector<std::string> topics;
    for (const Slot& one : slots_) {
        if (one.purpose == Purpose::alert) topics.push_back(one.alert);
    }
    return topics;
}

void Outbox::clear() {
    slots_ = {};
    refused_ = false;
}

}  // namespace dekeyd
