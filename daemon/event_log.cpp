#include "daemon/event_log.hpp"

#include <chrono>

namespace dekeyd {

namespace {

constexpr core::Duration event_interval = std::chrono::seconds{10};
constexpr int event_burst = 5;

spdlog::level::level_enum level_of(core::Severity severity) noexcept {
    switch (severity) {
        case core::Severity::notice:
        case core::Severity::good: return spdlog::level::info;
        case core::Severity::warning: return spdlog::level::warn;
        case core::Severity::alarm: break;
    }
    return spdlog::level::err;
}

}  // namespace

void EventLog::write(const core::Event& event, const std::string& sentence) {
    const auto kind = std::pair{event.kind, event.source};
    RateLimit& limit = limits_.try_emplace(kind, event_interval, event_burst).first->second;
    if (!limit.pass(event.at)) return;
    spdlog::log(level_of(core::severity_of(event)), "{}{}", sentence, limit.since());
}

}  // namespace dekeyd
