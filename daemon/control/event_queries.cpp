#include "control/event_queries.hpp"

#include <algorithm>
#include <utility>

#include "messages/feed.hpp"
#include "store/journal.hpp"

namespace dekeyd {

void EventQueries::serve(std::span<ControlClient> clients) {
    if (const auto batch = journal_.take(); batch && asks_ >= 0) answer(clients, *batch);
    if (asks_ >= 0) return;
    // The next by its descriptor behind the one that was served last, and then from the lowest on.
    ControlClient* next = nullptr;
    const auto turn = [this](const ControlClient& client) {
        return std::pair{client.descriptor <= last_, client.descriptor};
    };
    for (ControlClient& client : clients) {
        if (!client.events_after || client.drop || !client.unsent.empty()) continue;
        if (next == nullptr || turn(client) < turn(*next)) next = &client;
    }
    if (next == nullptr) return;
    last_ = next->descriptor;
    const std::uint64_t after = *std::exchange(next->events_after, std::nullopt);
    if (!state_.journal_open.load(std::memory_order_acquire)) {
        if (!next->follows) next->send(formats::feed_line({.events = formats::FeedEvents{.after = after}}));
        return;
    }
    asks_ = next->descriptor;
    journal_.ask(after);
}

void EventQueries::leave(const ControlClient& client) noexcept {
    if (client.descriptor == asks_) asks_ = -1;  // the next question takes the place of its own
}

void EventQueries::answer(std::span<ControlClient> clients, const JournalFeed::Batch& batch) {
    const int descriptor = std::exchange(asks_, -1);
    const auto found = std::find_if(clients.begin(), clients.end(),
                                    [=](const ControlClient& client) { return client.descriptor == descriptor; });
    if (found == clients.end()) return;
    formats::FeedEvents events{.epoch = formats::epoch_text(state_.journal_epoch.load(std::memory_order_acquire)),
                               .after = batch.after,
                               .durable = batch.durable};
    for (const formats::JournalEntry& entry : batch.entries) events.entries.push_back({entry.number, entry.text});
    found->send(formats::feed_line({.events = std::move(events)}));
}

}  // namespace dekeyd
