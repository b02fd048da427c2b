#include "control/event_log.hpp"

#include <chrono>

namespace dekeyd {

namespace {

constexpr core::Duration event_interval = std::chrono::seconds{10};
constexpr int event_burst = 5;

}  // namespace

void EventLog::write(const core::Event& event, const std::string& sentence) {
    const auto kind = std::pair{event.kind, event.source};
    RateLimit& limit = limits_.try_emplace(kind, event_interval, event_burst).first->second;
    if (!limit.pass(event.at)) return;
    const std::string level{core::log_level_words.of(core::severity_of(event))};
    spdlog::log(spdlog::level::from_str(level), "{}{}", sentence, limit.since());
}

}  // namespace dekeyd
