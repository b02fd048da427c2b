#include "telemetry/published/summaries.hpp"

#include <algorithm>
#include <cmath>
#include <nlohmann/json.hpp>
#include <utility>

namespace dekeyd {
namespace {

std::string text_of(const auto& message) {
    return formats::to_json(message).dump(-1, ' ', false, nlohmann::json::error_handler_t::replace);
}

bool near(const std::optional<double>& a, const std::optional<double>& b, core::Unit unit) {
    if (!a || !b) return a.has_value() == b.has_value();
    return std::fabs(*a - *b) < homie::dead_band(unit, *a);
}

/// What isn't compared by itself.
std::string rest_of(formats::LiveSummary summary) {
    summary.wall.clear();
    summary.sequence = 0;
    summary.values.clear();
    summary.span.clear();
    return text_of(summary);
}

}  // namespace

bool still_true(const formats::LiveSummary& said, const formats::LiveSummary& later, const core::Plan& plan) {
    if (said.values.size() != later.values.size() || said.span.size() != later.span.size()) return false;
    for (std::size_t i = 0; i < plan.quantity_count(); ++i) {
        const core::QuantityInfo info = core::describe(plan, static_cast<core::QuantityIndex>(i));
        const std::string id{info.id};
        const auto value = said.values.find(id), value_later = later.values.find(id);
        if ((value == said.values.end()) != (value_later == later.values.end())) return false;
        if (value != said.values.end() && !near(value->second, value_later->second, info.unit)) return false;
        const auto span = said.span.find(id), span_later = later.span.find(id);
        if ((span == said.span.end()) != (span_later == later.span.end())) return false;
        if (span == said.span.end()) continue;
        if (!std::equal(span->second.begin(), span->second.end(), span_later->second.begin(), span_later->second.end(),
                        [&](const auto& a, const auto& b) { return near(a, b, info.unit); }))
            return false;
    }
    return rest_of(said) == rest_of(later);
}

Summaries::Summaries(const formats::Configuration& configuration, const homie::Device& device, Send send)
    : configuration_{configuration}, device_{device}, send_{std::move(send)} {
    for (const homie::Property& property : device.properties()) {
        if (property.pace == homie::Pace::summary) summary_ = &property;
        if (property.pace == homie::Pace::pulse) pulse_ = &property;
    }
}

void Summaries::begin_session() noexcept {
    said_.reset();
    next_ = next_whole_ = {};
}

void Summaries::send(const core::Snapshot& snapshot, const homie::Context& around, core::Instant now) {
    if (!is_due(now)) return;
    formats::LiveSummary summary = device_.summary(snapshot, around);
    if (said_ && now < next_whole_ && still_true(*said_, summary, configuration_.plan)) {
        const formats::Pulse pulse{.wall = summary.wall, .sequence = summary.sequence, .summary = said_->sequence};
        if (send_(*pulse_, text_of(pulse), now)) next_ = now + every;
        return;
    }
    if (!send_(*summary_, text_of(summary), now)) return;
    said_ = std::move(summary);
    next_ = now + every;
    next_whole_ = now + whole_every;
}

}  // namespace dekeyd
