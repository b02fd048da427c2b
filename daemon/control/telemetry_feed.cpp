#include "control/telemetry_feed.hpp"

#include <fmt/format.h>
#include <pwd.h>

#include <algorithm>
#include <array>
#include <cstdio>
#include <iterator>
#include <memory>
#include <utility>

#include "base/wall_clock.hpp"
#include "messages/feed.hpp"
#include "store/journal.hpp"

namespace dekeyd {
namespace {

constexpr std::string_view telemetry_user_name = "dekeyd-telemetry";
constexpr std::string_view alarm_user_name = "dekeyd-alarm";

std::optional<TelemetryPorts::User> user_named(std::string_view name) {
    // The file itself: to ask for a name would bring the name services' libraries in, and they may wait for a network.
    const std::unique_ptr<std::FILE, int (*)(std::FILE*)> file{std::fopen("/etc/passwd", "re"), &std::fclose};
    std::array<char, 4096> room{};
    passwd entry{};
    passwd* found = nullptr;
    while (file && ::fgetpwent_r(file.get(), &entry, room.data(), room.size(), &found) == 0) {
        if (std::string_view{entry.pw_name} == name)
            return TelemetryPorts::User{.id = entry.pw_uid, .group = entry.pw_gid};
    }
    return std::nullopt;
}

}  // namespace

std::optional<TelemetryPorts::User> telemetry_user() {
    return user_named(telemetry_user_name);
}

std::optional<gid_t> observers_group() {
    const auto user = user_named(alarm_user_name);
    return user ? std::optional{user->group} : std::nullopt;
}

TelemetryFeed::TelemetryFeed(const formats::Configuration& configuration, TelemetryPorts ports,
                             std::string_view version)
    : configuration_{configuration},
      ports_{ports},
      version_{version},
      sum_{formats::configuration_sum(configuration.text)},
      period_{formats::feed_period(configuration.mqtt.value_or(formats::MqttConfig{}).fastest)} {}

std::string TelemetryFeed::refusal(core::CommandKind kind, core::Instant now) {
    const auto* const rule = std::find_if(std::begin(formats::remote_rules), std::end(formats::remote_rules),
                                          [&](const formats::RemoteRule& row) { return row.kind == kind; });
    if (rule == std::end(formats::remote_rules)) return std::string{never_remotely};
    if (!rule->allows(configuration_.mqtt.value_or(formats::MqttConfig{}))) {
        const std::string_view word = core::text(kind);
        return fmt::format(
            "the configuration doesn't allow a remote {}; expected '{}: yes' in mqtt:, or a {} on this machine", word,
            rule->key, word);
    }
    const bool hold = kind == core::CommandKind::hold;
    if (!(hold ? holds_ : others_).take_one(now))
        return "too many remote commands in a short time; expected at most one a second";
    return {};
}

std::string TelemetryFeed::hello() {
    events_.clear();
    next_ = {};
    history_version_ = 0;
    return formats::feed_line({.hello = formats::FeedHello{.version = version_, .configuration = sum_}});
}

void TelemetryFeed::add(const core::Event& event) {
    if (events_.size() >= most_events) events_.pop_front();
    events_.push_back(event);
}

bool TelemetryFeed::is_due(core::Instant now) const noexcept {
    return now >= next_ || !events_.empty() ||
           (ports_.storage != nullptr && ports_.storage->journal_durable.load() != told_durable_);
}

std::string TelemetryFeed::line(const core::Snapshot& snapshot, core::Instant now) {
    next_ = now + period_;
    formats::Feed feed;
    feed.snapshot = formats::words_of(snapshot);
    for (const core::Event& event : events_) feed.events.push_back(formats::words_of(event));
    events_.clear();
    if (const StorageState* storage = ports_.storage) {
        if (storage->journal_open.load(std::memory_order_acquire))
            feed.storage.epoch = formats::epoch_text(storage->journal_epoch.load(std::memory_order_acquire));
        feed.storage.durable = told_durable_ = storage->journal_durable.load(std::memory_order_acquire);
        feed.storage.unwritten = storage->unwritten.load(std::memory_order_relaxed);
        feed.notes = storage->notes.of(snapshot.memory);
        feed.storage.fails = storage->failing.load(std::memory_order_relaxed) || storage->state_is_late(now);
        feed.storage.proof =
            formats::proof_status(storage->proved_at_s.load(), configuration_.proof_every, wall_stamp(now)).words;
    }
    if (ports_.history != nullptr) feed.storage.kept = kept_status(*ports_.history);
    if (ports_.storage != nullptr)
        feed.storage.kept.failed_writes += ports_.storage->failed_writes.load(std::memory_order_relaxed);
    if (ports_.latest != nullptr && ports_.latest->take(kept_, history_version_)) {
        feed.history = formats::FeedHistory{.captures = {kept_.captures.begin(), kept_.captures.end()},
                                            .transmissions = kept_.transmissions,
                                            .on_disk = kept_.on_disk};
        kept_ = {};
    }
    return formats::feed_line({.feed = std::move(feed)});
}

std::string TelemetryFeed::capture_line(const formats::CapturePart& part) {
    return formats::feed_line(
        {.capture = formats::FeedCapture{
             .name = part.name, .offset = part.offset, .size = part.size, .text = part.text, .error = part.error}});
}

}  // namespace dekeyd
