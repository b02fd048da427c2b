#include "telemetry/event_delivery.hpp"

#include <fmt/ranges.h>
#include <spdlog/spdlog.h>

#include <algorithm>
#include <array>
#include <nlohmann/json.hpp>
#include <utility>

#include "base/thread.hpp"

namespace dekeyd {
namespace {

constexpr std::size_t most_recent = 16;
constexpr std::size_t most_of_trips = 32;
/// Of an earlier life, looked through for trips.
constexpr std::uint64_t most_recalled = 400;

/// Of a trip, or how it ended.
bool tells_of_trip(std::string_view kind) noexcept {
    using core::EventKind;
    constexpr std::array kinds{EventKind::tripped, EventKind::latched, EventKind::locked_out, EventKind::reset,
                               EventKind::permitted};
    return std::any_of(kinds.begin(), kinds.end(), [&](EventKind one) { return kind == core::text(one); });
}

std::string kind_of(const std::string& text) {
    const nlohmann::json event = nlohmann::json::parse(text, nullptr, false);
    const auto kind = event.is_object() ? event.find("kind") : event.end();
    return kind != event.end() && kind->is_string() ? kind->get<std::string>() : std::string{};
}

}  // namespace

void EventDelivery::send_next(const formats::FeedStorage& storage, core::Instant now) {
    if (on_its_way_ != 0 || storage.epoch.empty()) return;
    const std::uint64_t delivered = place_.in(storage.epoch, storage.durable);
    if (!recall(storage, delivered) || delivered >= storage.durable) return;
    const std::uint64_t wanted = delivered + 1;
    if (!next_ || next_->number < wanted) {
        FetchedEvents::Next fetched = guard_.journal.take(wanted);
        const std::uint64_t found = fetched.entry          ? fetched.entry->number
                                    : fetched.gone_through ? *fetched.gone_through + 1
                                                           : wanted;
        if (found > wanted) {
            missing_ += found - wanted;
            if (complaints_.pass(now)) {
                spdlog::error("events {} to {} are no longer in the journal and are not delivered{}", wanted, found - 1,
                              complaints_.since());
            }
        }
        next_ = std::move(fetched.entry);
        if (fetched.gone_through) place_.set(*fetched.gone_through);
        if (!next_) return guard_.to_guard.ring();  // it is asked for
    }
    if (!outbox_.send(
            {.topic = topic_, .payload = next_->text, .purpose = Purpose::event, .keep_free = 1, .retained = false},
            now)) {
        return;
    }
    on_its_way_ = next_->number;
}

void EventDelivery::delivered() {
    place_.set(on_its_way_);
    if (next_ && next_->number == on_its_way_) remember(next_->text);
    on_its_way_ = 0;
}

std::uint64_t EventDelivery::waiting(const formats::FeedStorage& storage) const {
    return storage.durable - std::min(storage.durable, place_.number());
}

/// Those that were delivered in an earlier life, once. False: they aren't here yet.
bool EventDelivery::recall(const formats::FeedStorage& storage, std::uint64_t delivered) {
    if (recalled_ == storage.epoch) return true;
    if (next_recalled_ == 0) next_recalled_ = delivered < most_recalled ? 1 : delivered - most_recalled + 1;
    while (next_recalled_ <= delivered) {
        FetchedEvents::Next fetched = guard_.journal.take(next_recalled_);
        if (fetched.gone_through) break;
        if (!fetched.entry) {
            guard_.to_guard.ring();
            return false;
        }
        next_recalled_ = fetched.entry->number + 1;
        if (fetched.entry->number <= delivered) {
            remember(fetched.entry->text);
        } else {
            next_ = std::move(fetched.entry);
        }
    }
    recalled_ = storage.epoch;
    return true;
}

void EventDelivery::remember(const std::string& text) {
    if (recent_.size() >= most_recent) recent_.pop_front();
    recent_.push_back(text);
    recent_json_ = fmt::format("[{}]", fmt::join(recent_, ","));
    const std::string kind = kind_of(text);
    const bool permitted = kind == core::text(core::EventKind::permitted);
    if (!tells_of_trip(kind) || (permitted && last_permitted_)) return;
    last_permitted_ = permitted;
    if (trips_.size() >= most_of_trips) trips_.pop_front();
    trips_.push_back(text);
    trips_json_ = fmt::format("[{}]", fmt::join(trips_, ","));
}

}  // namespace dekeyd
