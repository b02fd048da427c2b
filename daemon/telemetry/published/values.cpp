#include "telemetry/published/values.hpp"

#include <algorithm>
#include <cmath>

#include "telemetry/published/discovery.hpp"

namespace dekeyd {
namespace {

/// Sent by summaries.hpp.
bool is_summary(const homie::Property& property) {
    return property.pace == homie::Pace::summary || property.pace == homie::Pace::pulse;
}

}  // namespace

Values::Values(const formats::Configuration& configuration, const homie::Device& device, Outbox& outbox)
    : configuration_{configuration}, device_{device}, outbox_{outbox} {
    for (const homie::Property& property : device.properties()) {
        if (property.settable() || is_summary(property)) continue;
        all_.push_back({.property = &property, .again = homie::sent_again(property, *configuration.mqtt), .value = {}});
    }
}

void Values::begin_session() {
    for (Published& one : all_) one.sent = false;
    make_due();
}

bool Values::all_sent() const noexcept {
    return std::all_of(all_.begin(), all_.end(), [](const Published& one) { return one.sent; });
}

bool Values::send(const core::Snapshot& snapshot, const homie::Context& around, bool urgent, core::Instant now) {
    const bool full = is_due(now);
    if (!full && !urgent) return true;
    bool all = true;
    for (Published& one : all_) {
        const bool prompt = one.property->pace == homie::Pace::prompt;
        if (!full && !prompt) continue;
        homie::Value value = device_.value(*one.property, snapshot, around);
        if (one.sent && !worth_sending(one, value, now)) continue;
        if (!outbox_.send({.topic = one.property->topic,
                           .payload = value.text.value_or(""),
                           .keep_free = prompt ? 0 : Outbox::spare_slots},
                          now)) {
            all = false;
            continue;
        }
        one.sent = true;
        one.at = now;
        one.value = std::move(value);
    }
    if (full && all) next_ = now + configuration_.mqtt->fastest;
    return all;
}

bool Values::worth_sending(const Published& one, const homie::Value& value, core::Instant now) const {
    const homie::Pace pace = one.property->pace;
    const bool slow = now - one.at >= configuration_.mqtt->slowest;
    if (one.again && value.text && now - one.at >= *one.again) return true;
    if (value.text == one.value.text) return false;
    if (pace == homie::Pace::slow) return slow;
    if (!value.number || !one.value.number) return true;
    const core::Unit unit = core::describe(configuration_.plan, one.property->index).unit;
    return std::fabs(*value.number - *one.value.number) >= homie::dead_band(unit, *one.value.number);
}

}  // namespace dekeyd
