#include "dekeyctl/follow/order.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <limits>
#include <nlohmann/json.hpp>
#include <utility>

namespace dekeyd::ctl {
namespace {

using namespace std::chrono_literals;

constexpr std::size_t most_ready = 64;  ///< no more is read ahead
constexpr std::size_t most_seen = 512;
constexpr auto ask_for_live = 100ms;
constexpr auto ask_always = 1s;
// A whole number in JSON's reach that no journal gets to: the answer then only says where its end is.
constexpr std::uint64_t behind_all = std::numeric_limits<std::int64_t>::max();

bool contains(const std::deque<FollowedEvent>& list, const FollowedEvent& event) {
    return std::any_of(list.begin(), list.end(), [&](const FollowedEvent& one) { return one.same_as(event); });
}

}  // namespace

void EventOrder::remember(std::deque<FollowedEvent>& list, const FollowedEvent& event, std::size_t most) {
    FollowedEvent name;  // what same_as() looks at, and no more
    name.kind = event.kind;
    name.since_start = event.since_start;
    name.at_s = event.at_s;
    list.push_back(std::move(name));
    if (list.size() > most) list.pop_front();
}

std::optional<std::uint64_t> EventOrder::ask(Time now) {
    if (!connected_ || ready_.size() >= most_ready) return std::nullopt;
    if (waits_ && now - asked_ < silence) return std::nullopt;
    const Time::duration pause = has_more_ ? 0ms : live_.empty() ? Time::duration{ask_always} : ask_for_live;
    if (now - asked_ < pause) return std::nullopt;
    asked_ = now;
    waits_ = true;
    if (read_) return read_->number;
    if (start_.place) return start_.place->number;
    return start_.from ? std::max<std::uint64_t>(*start_.from, 1) - 1 : behind_all;
}

void EventOrder::set_connected(bool connected, Time now) {
    if (connected_ && !connected) away_since_ = now;
    connected_ = connected;
    waits_ = has_more_ = false;
    asked_ = {};
}

// ---- the journal -----------------------------------------------------------------------------------------------

void EventOrder::begin(const formats::FeedEvents& batch) {
    if (start_.place)
        read_ = *start_.place;
    else if (start_.from)
        read_ = Place{batch.epoch, std::max<std::uint64_t>(*start_.from, 1) - 1};
    else
        beginning_ = read_ = Place{batch.epoch, batch.durable};
}

void EventOrder::take_batch(const formats::FeedEvents& batch, Time now) {
    waits_ = has_more_ = false;
    if (batch.epoch.empty()) {  // the storage hasn't opened it
        caught_up_ = asked_;
        return;
    }
    if (!read_) begin(batch);
    if (read_->epoch != batch.epoch) {
        ready_.push_back(own_event("events-missing", core::Severity::warning, wall_(),
                                   "The journal is another one than before: how many events are missing isn't known. "
                                   "Its own are given from the first.",
                                   {{"missing", nullptr}}));
        read_ = Place{batch.epoch, 0};
        last_number_.reset();
    }
    // A storage that lost what it had confirmed: what comes now has those numbers again.
    read_->number = std::min(read_->number, batch.durable);
    if (batch.after != read_->number) {  // an answer to what isn't the question any more
        has_more_ = true;
        return;
    }
    for (const formats::FeedEntry& entry : batch.entries) take_entry(entry);
    if (!batch.entries.empty() || read_->number >= batch.durable) {
        empty_since_.reset();
    } else if (!empty_since_) {
        empty_since_ = now;
    } else if (now - *empty_since_ >= doubt) {
        miss(read_->number + 1, batch.durable);
        read_->number = batch.durable;
        empty_since_.reset();
    }
    if (read_->number >= batch.durable)
        caught_up_ = asked_;
    else
        has_more_ = !empty_since_;
}

void EventOrder::take_entry(const formats::FeedEntry& entry) {
    if (entry.number <= read_->number) return;
    if (entry.number > read_->number + 1) miss(read_->number + 1, entry.number - 1);
    read_->number = entry.number;
    FollowedEvent event = stored_event(*read_, entry.text);
    event.told = event.since_start != 0 && contains(told_live_, event);
    remember(seen_, event, most_seen);
    const auto twin =
        std::find_if(live_.begin(), live_.end(), [&](const Live& live) { return live.event.same_as(event); });
    if (twin != live_.end()) {
        // The guard stores in order: those before it will never be in the journal.
        for (auto lost = live_.begin(); lost != twin; ++lost) ready_.push_back(std::move(lost->event));
        live_.erase(live_.begin(), std::next(twin));
    }
    ready_.push_back(std::move(event));
}

void EventOrder::miss(std::uint64_t first, std::uint64_t last) {
    const std::uint64_t count = last - first + 1;
    FollowedEvent event =
        own_event("events-missing", core::Severity::warning, wall_(),
                  fmt::format("{} {} missing between numbers {} and {}: the journal no longer has {}.", count,
                              count == 1 ? "event is" : "events are", first - 1, last + 1, count == 1 ? "it" : "them"),
                  {{"missing", count}, {"after", first - 1}, {"before", last + 1}});
    event.id += fmt::format("-{}", first);
    event.place = Place{read_->epoch, last};
    ready_.push_back(std::move(event));
}

// ---- the stream ------------------------------------------------------------------------------------------------

void EventOrder::take_live(FollowedEvent event, Time now) {
    if (contains(seen_, event)) return;
    if (live_.size() >= most_live) live_.pop_front();
    live_.push_back({std::move(event), now});
}

// The storage had its time, and the journal was read to its end after that; or it can't be read.
bool EventOrder::live_is_due(Time now) const {
    const Time due = live_.front().came + grace;
    if (now < due) return false;
    if (caught_up_ && *caught_up_ >= due) return true;
    const Time silent_since = connected_ ? (waits_ ? asked_ : now) : away_since_;
    return now - silent_since >= silence;
}

std::optional<FollowedEvent> EventOrder::next(Time now) {
    if (ready_.empty()) {
        if (live_.empty() || !live_is_due(now)) return std::nullopt;
        ready_.push_back(std::move(live_.front().event));
        live_.pop_front();
    }
    FollowedEvent event = std::move(ready_.front());
    ready_.pop_front();
    return numbered(std::move(event));
}

/// The event, or in front of it what is missing by the guard's own count.
std::optional<FollowedEvent> EventOrder::numbered(FollowedEvent event) {
    if (event.own) {  // what is missing was said
        last_number_.reset();
        return event;
    }
    if (event.since_start == 0 || event.told) return event;
    const std::uint64_t before = last_number_.value_or(event.since_start - 1);
    last_number_ = event.since_start;
    if (event.since_start > before + 1 && event.kind != "started") {
        const std::uint64_t count = event.since_start - before - 1;
        FollowedEvent missing = own_event(
            "events-missing", core::Severity::warning, wall_(),
            fmt::format("{} {} missing between {} and {} since dekeyd's start: its storage never took {}.", count,
                        count == 1 ? "event is" : "events are", before, event.since_start, count == 1 ? "it" : "them"),
            {{"missing", count}, {"after_since_start", before}, {"before_since_start", event.since_start}});
        missing.id += "-" + event.id;
        ready_.push_front(std::move(event));
        return missing;
    }
    if (!event.place) {
        remember(told_live_, event, 2 * most_live);
        // Behind a journal that was silent older ones may follow, which are not missing.
        if (!caught_up_ || !connected_ || waits_) last_number_.reset();
    }
    return event;
}

std::optional<Place> EventOrder::take_beginning() {
    return std::exchange(beginning_, std::nullopt);
}

}  // namespace dekeyd::ctl
