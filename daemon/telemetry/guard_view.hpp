// The guard as this program knows it: filled by the link to it, read by the telemetry. Two threads, neither waits for
// the other for longer than a copy takes.
#pragma once

#include <atomic>
#include <cstdint>
#include <deque>
#include <mutex>
#include <optional>
#include <string>
#include <utility>
#include <vector>

#include "base/handover.hpp"
#include "core/interlock.hpp"
#include "core/protection.hpp"
#include "messages/feed.hpp"
#include "recording/latest_history.hpp"
#include "store/journal.hpp"
#include "telemetry/published/homie.hpp"

namespace dekeyd {

/// Events of the guard's journal on their way here: fetched when they are wanted, bounded by the guard's batches.
class FetchedEvents {
public:
    /// What stands at a number: an entry, whose number may be larger where those between are gone for ever; or nothing
    /// yet; or all up to `gone_through` is gone.
    struct Next {
        std::optional<formats::JournalEntry> entry = std::nullopt;
        std::optional<std::uint64_t> gone_through = std::nullopt;
    };

    // ---- the telemetry ----

    /// Takes what stands at `number` or behind; where it isn't here yet the link is to fetch it.
    Next take(std::uint64_t number) {
        const std::lock_guard lock{mutex_};
        const bool asked_for = after_ < number;  // what came before is of no use for an earlier number
        while (!entries_.empty() && (!asked_for || entries_.front().number < number)) entries_.pop_front();
        if (!entries_.empty()) {
            Next next{.entry = std::move(entries_.front())};
            entries_.pop_front();
            after_ = next.entry->number;
            return next;
        }
        if (gone_ && after_ == number - 1) return {.gone_through = std::exchange(gone_, std::nullopt)};
        wanted_ = number - 1;
        return {};
    }

    // ---- the link ----

    /// Behind which number events are wanted: once, until they are put or have not come for too long.
    std::optional<std::uint64_t> wanted(core::Instant now) {
        const std::lock_guard lock{mutex_};
        if (!wanted_ || (asked_at_ && now - *asked_at_ < answer_at_most)) return std::nullopt;
        asked_at_ = now;
        return std::exchange(wanted_, std::nullopt);
    }
    void put(formats::FeedEvents events) {
        const std::lock_guard lock{mutex_};
        asked_at_.reset();
        entries_.clear();
        gone_.reset();
        after_ = events.after;
        if (events.entries.empty() && events.durable > events.after) gone_ = events.durable;
        for (formats::FeedEntry& entry : events.entries) entries_.push_back({entry.number, std::move(entry.text)});
    }
    /// Another guard, or another journal.
    void forget() {
        const std::lock_guard lock{mutex_};
        entries_.clear();
        gone_.reset();
        wanted_.reset();
        asked_at_.reset();
    }

private:
    static constexpr core::Duration answer_at_most = std::chrono::seconds{2};

    std::mutex mutex_;
    std::deque<formats::JournalEntry> entries_;
    std::uint64_t after_ = 0;            ///< those behind it are here, as far as they were asked for
    std::optional<std::uint64_t> gone_;  ///< up to this number there are none behind `after_`
    std::optional<std::uint64_t> wanted_;
    std::optional<core::Instant> asked_at_;
};

/// How the guard's storage is.
inline void tell_of(const formats::FeedStorage& storage, homie::Context& around) {
    around.storage_fails = storage.fails;
    around.failed_writes = storage.kept.failed_writes;
    around.captures = storage.kept.captures;
    around.records_waiting = storage.kept.waiting;
    around.records_dropped = storage.kept.dropped;
    around.steps_lost = storage.kept.lost_steps;
}

struct GuardView {
    static constexpr std::size_t most_events = 1024;
    static constexpr std::size_t most_commands = 16;
    [[nodiscard]] bool reachable() const noexcept { return reachable_.load(std::memory_order_acquire); }
    /// A guard that shows nothing new for so long doesn't answer: it decides several times in it, and tells at least
    /// five times a second. Its last values are out of date then.
    static constexpr core::Duration silent_after = std::chrono::milliseconds{600};

    explicit GuardView(const core::Plan& plan) : snapshots{core::Protection::blank(plan)} {}

    // ---- from the guard ----

    Ring<core::Event> events{most_events};
    Newest<core::Snapshot> snapshots;
    FetchedEvents journal;
    Wake to_telemetry;  ///< rung when there is something new

    void put_storage(formats::FeedStorage storage) {
        const std::lock_guard lock{mutex_};
        storage_ = std::move(storage);
    }
    [[nodiscard]] formats::FeedStorage storage() const {
        const std::lock_guard lock{mutex_};
        return storage_;
    }
    void put_notes(formats::Notes notes) {
        const std::lock_guard lock{mutex_};
        notes_ = std::move(notes);
    }
    [[nodiscard]] formats::Notes notes() const {
        const std::lock_guard lock{mutex_};
        return notes_;
    }
    /// Moves what is new since the last time into `kept`, if there is something.
    void take_history(LatestHistory::Kept& kept) {
        const std::lock_guard lock{mutex_};
        if (history_) kept = *std::exchange(history_, std::nullopt);
    }
    void put_history(LatestHistory::Kept history) {
        const std::lock_guard lock{mutex_};
        history_ = std::move(history);
    }

    /// The part of a capture that was wanted.
    std::optional<formats::FeedCapture> take_capture() {
        const std::lock_guard lock{mutex_};
        return std::exchange(capture_, std::nullopt);
    }
    void put_capture(formats::FeedCapture part) {
        const std::lock_guard lock{mutex_};
        capture_ = std::move(part);
    }

    // ---- to the guard ----

    Wake to_guard;                    ///< rung when a command, a wish or another state of the broker waits
    std::atomic<bool> broker{false};  ///< it takes what is said
    /// False: the guard isn't there, or has too many to take already. One that waits here is never an old one: when
    /// the guard goes it is thrown away.
    bool ask(homie::Asked asked) {
        {
            const std::lock_guard lock{mutex_};
            if (!reachable_ || commands_.size() >= most_commands) return false;
            commands_.push_back(std::move(asked));
        }
        to_guard.ring();
        return true;
    }
    std::vector<homie::Asked> take_commands() {
        const std::lock_guard lock{mutex_};
        return std::exchange(commands_, {});
    }
    /// A part of a capture: its name and offset. Of several the last one counts.
    void want_capture(std::string name, std::uint64_t offset) {
        {
            const std::lock_guard lock{mutex_};
            wanted_capture_ = {std::move(name), offset};
            capture_.reset();
        }
        to_guard.ring();
    }
    std::optional<std::pair<std::string, std::uint64_t>> take_wanted_capture() {
        const std::lock_guard lock{mutex_};
        return std::exchange(wanted_capture_, std::nullopt);
    }
    void set_reachable(bool reachable) {
        const std::lock_guard lock{mutex_};
        reachable_.store(reachable, std::memory_order_release);
        commands_.clear();
    }

private:
    mutable std::mutex mutex_;  ///< of all below
    formats::FeedStorage storage_;
    formats::Notes notes_;
    std::optional<LatestHistory::Kept> history_;
    std::optional<formats::FeedCapture> capture_;
    std::optional<std::pair<std::string, std::uint64_t>> wanted_capture_;
    std::vector<homie::Asked> commands_;
    std::atomic<bool> reachable_{false};
};

}  // namespace dekeyd
