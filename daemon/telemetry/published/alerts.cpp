#include "telemetry/published/alerts.hpp"

#include <fmt/format.h>

#include <utility>

#include "telemetry/received/signal_properties.hpp"

namespace dekeyd {
namespace {

constexpr core::Duration alerts_every = std::chrono::milliseconds{200};
constexpr std::size_t most_log_lines = 64;

}  // namespace

void Alerts::send(const core::Snapshot& snapshot, const formats::SignalReport& signal, bool away, bool urgent,
                  core::Instant now) {
    if (!urgent && !again_ && now < next_ && to_clear_.empty()) return;
    next_ = now + alerts_every;
    again_ = false;
    auto standing = device_.alerts(snapshot);
    standing.merge(homie::signal_alerts(signal));
    if (away) {
        for (const auto& [id, latched] : raised_) standing.try_emplace(id, homie::Alert{{}, latched});
        standing["guard"] = {std::string{guard_away}, false};
    }
    for (const auto& [id, alert] : standing) {
        const auto raised = raised_.find(id);
        if (raised != raised_.end() && raised->second == alert.latched) continue;
        const auto trip = trips_.find(id);
        const bool still_so = trip != trips_.end() && trip->second.latched == alert.latched;
        if (!send_one(id, still_so ? trip->second.sentence : alert.sentence, now)) return;
        raised_[id] = alert.latched;
        to_clear_.erase(id);
    }
    for (const auto& [id, latched] : raised_) {
        if (standing.count(id) == 0) to_clear_[id] = latched;
    }
    while (!to_clear_.empty()) {
        const auto over = to_clear_.begin();
        if (!send_one(over->first, "", now)) return;
        raised_.erase(over->first);
        trips_.erase(over->first);
        to_clear_.erase(over);
    }
}

bool Alerts::send_one(const std::string& id, std::string_view sentence, core::Instant now) {
    again_ = !outbox_.send(
        {.topic = device_.alert_topic(id), .payload = sentence, .purpose = Purpose::alert, .keep_free = 2}, now);
    return !again_;
}

void Alerts::end_session() {
    const std::size_t before_id = device_.alert_topic("").size();
    for (const std::string& topic : outbox_.alerts_on_their_way()) raised_.try_emplace(topic.substr(before_id), false);
}

void Sentences::begin_session() {
    log_.clear();
    obeyed_.clear();
}

void Sentences::say(std::string_view level, std::string sentence) {
    if (log_.size() >= most_log_lines) log_.pop_front();
    log_.emplace_back(level, std::move(sentence));
}

void Sentences::send(core::Instant now) {
    const auto send_one = [&](const std::string& topic, std::string_view text) {
        return outbox_.send({.topic = topic, .payload = text, .keep_free = 4, .qos = 0, .retained = false}, now);
    };
    for (; !log_.empty(); log_.pop_front())
        if (!send_one(device_.log_topic(log_.front().first), log_.front().second)) return;
    for (; !obeyed_.empty(); obeyed_.erase(obeyed_.begin())) {
        const std::string_view word = core::text(*obeyed_.begin());
        const std::string topic = fmt::format("{}/permit/{}", device_.base(), word);
        // A command that is no longer configured can't have been obeyed.
        if (device_.find(topic) != nullptr && !send_one(topic, word)) return;
    }
}

}  // namespace dekeyd
