#include "telemetry/received/signal_readings.hpp"

#include <algorithm>
#include <charconv>
#include <cmath>

namespace dekeyd {
namespace {

using formats::ReceivedState;

constexpr std::size_t longest_number = 16;
constexpr double least_db = -20.0, most_db = 120.0;

bool is_digit(char c) noexcept {
    return c >= '0' && c <= '9';
}

/// In sixths of what is allowed, whole seconds each: an age that is told to the second would be news each second.
core::Duration age_in_steps(core::Duration age, core::Duration allowed_age) {
    using std::chrono::seconds;
    constexpr int steps = 6;
    const core::Duration step = std::max<core::Duration>(seconds{1}, std::chrono::ceil<seconds>(allowed_age / steps));
    const auto count = std::max<core::Duration::rep>(1, (age + step - core::Duration{1}) / step);
    return std::min(count * step, std::max(age, allowed_age));
}

}  // namespace

std::optional<double> read_decibels(std::string_view payload) {
    if (payload.size() > longest_number) return std::nullopt;
    const std::string_view digits = payload.substr(payload.starts_with('-') ? 1 : 0);
    if (digits.empty() || !is_digit(digits.front()) || !is_digit(digits.back())) return std::nullopt;
    if (std::count(digits.begin(), digits.end(), '.') > 1) return std::nullopt;
    if (!std::all_of(digits.begin(), digits.end(), [](char c) { return is_digit(c) || c == '.'; })) return std::nullopt;
    double value = 0.0;
    const char* const end = payload.data() + payload.size();
    const auto read = std::from_chars(payload.data(), end, value, std::chars_format::fixed);
    if (read.ec != std::errc{} || read.ptr != end || !(value >= least_db && value <= most_db)) return std::nullopt;
    return value;
}

SignalReadings::SignalReadings(const formats::SignalConfig& signal) : signal_{signal} {}

void SignalReadings::take(formats::SignalMeasure measure, const SignalArrival& arrival) {
    measures_.at(static_cast<std::size_t>(measure)).newest = {
        .value_db = read_decibels(arrival.payload), .at = arrival.at, .kept = arrival.kept, .with_rf = arrival.with_rf};
}

ReceivedState SignalReadings::state_of(const Newest& newest, core::Duration allowed_age, core::Instant now) const {
    if (now - newest.at > allowed_age) return ReceivedState::stale;
    if (!newest.value_db) return ReceivedState::unreadable;
    if (newest.kept) return ReceivedState::of_unknown_age;
    const bool of_this = since_ && newest.at >= *since_ && newest.with_rf;
    return of_this ? ReceivedState::good : ReceivedState::not_of_this;
}

formats::SignalReport SignalReadings::report(bool guard_answers, const core::Snapshot& snapshot, core::Instant now) {
    const std::optional<core::Instant> since = guard_answers ? snapshot.transmitting_since : std::nullopt;
    if (since != since_) {
        for (Measure& measure : measures_) measure.below = false;
    }
    since_ = since;
    formats::SignalReport report;
    report.guard_answers = guard_answers;
    for (std::size_t i = 0; i < measures_.size(); ++i) {
        const auto& configured = signal_[i];
        if (!configured) continue;
        Measure& measure = measures_[i];
        formats::ReceivedMeasure& told = report.measures[i].emplace();
        told.topic = configured->topic;
        told.warn_below_db = configured->warn_below_db;
        told.allowed_age = configured->allowed_age;
        if (!measure.newest) continue;
        told.state = state_of(*measure.newest, configured->allowed_age, now);
        if (told.state == ReceivedState::stale || told.state == ReceivedState::unreadable) continue;
        told.value_db = measure.newest->value_db;
        if (told.state == ReceivedState::of_unknown_age) continue;
        told.age_at_most = age_in_steps(now - measure.newest->at, configured->allowed_age);
        if (told.state != ReceivedState::good) continue;
        const double better = measure.below ? formats::signal_hysteresis_db : 0.0;
        told.warns = measure.below = *told.value_db < configured->warn_below_db + better;
    }
    return report;
}

}  // namespace dekeyd
