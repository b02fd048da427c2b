#include "guard/event_log.hpp"

#include <chrono>

#include "words/event_text.hpp"

namespace dekeyd {

namespace {

constexpr core::Duration event_interval = std::chrono::seconds{10};
constexpr int event_burst = 5;

}  // namespace

void EventLog::write() {
    for (; const core::Event* event = outlet_.events.front(); outlet_.events.pop()) {
        if (outlet_.snapshot.value().now < event->at) outlet_.snapshot.take();
        std::string sentence = formats::sentence(plan_, *event, outlet_.snapshot.value().quantities_at(event->at));
        write(*event, notes_.with_reason(std::move(sentence), *event));
    }
}

void EventLog::write(const core::Event& event, const std::string& sentence) {
    const auto kind = std::pair{event.kind, event.source};
    RateLimit& limit = limits_.try_emplace(kind, event_interval, event_burst).first->second;
    if (!limit.pass(event.at)) return;
    const std::string level{core::log_level_words.of(core::severity_of(event))};
    spdlog::log(spdlog::level::from_str(level), "{}{}", sentence, limit.since());
}

}  // namespace dekeyd
