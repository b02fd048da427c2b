#include "telemetry/stale_topics.hpp"

#include <algorithm>

namespace dekeyd {
namespace {

constexpr core::Duration ask_for = std::chrono::seconds{2};
constexpr std::size_t most_topics = 256;

}  // namespace

void StaleTopics::begin_session() {
    asks_until_.reset();
    topics_.clear();
}

void StaleTopics::ask(core::Instant now) {
    if (outbox_.subscribe(device_.base() + "/+/+", 0, Purpose::sweep, now)) asks_until_ = now + ask_for;
}

void StaleTopics::hear(const std::string& topic) {
    constexpr std::string_view alerts = "/$alert/";
    if (!topic.starts_with(device_.base())) return;
    const std::string_view below = std::string_view{topic}.substr(device_.base().size());
    const bool alert = below.starts_with(alerts) && below.find('/', alerts.size()) == std::string_view::npos;
    const bool property = !below.starts_with("/$") && std::count(below.begin(), below.end(), '/') == 2;
    if (!alert && !property) return;
    if (alert && alerts_.is_raised(std::string{below.substr(alerts.size())})) return;
    const homie::Property* known = property ? device_.find(topic) : nullptr;
    if (known != nullptr && known->retained()) return;
    if (topics_.size() < most_topics) topics_.insert(topic);
}

void StaleTopics::send_removals(core::Instant now) {
    if (asks_until_ && now >= *asks_until_) {
        asks_until_.reset();
        link_.unsubscribe(device_.base() + "/+/+", Outbox::no_slot);
    }
    while (!topics_.empty()) {
        if (!outbox_.send({.topic = *topics_.begin(), .payload = "", .keep_free = Outbox::spare_slots}, now)) return;
        topics_.erase(topics_.begin());
    }
}

}  // namespace dekeyd
