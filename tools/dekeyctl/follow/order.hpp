// Which event is next. The journal gives them in order and for ever; the guard's stream has those too that the storage
// doesn't take. Both are joined here so that each comes once, and what is missing is said. Pure: no clock of its own.
#pragma once

#include <chrono>
#include <cstdint>
#include <deque>
#include <functional>
#include <optional>
#include <string>

#include "dekeyctl/follow/event.hpp"
#include "messages/feed.hpp"

namespace dekeyd::ctl {

/// Where it begins; neither: with what comes from now on.
struct FollowStart {
    std::optional<Place> place{};         ///< behind this one
    std::optional<std::uint64_t> from{};  ///< with this number of the journal that is there
};

class EventOrder {
public:
    using Time = std::chrono::steady_clock::time_point;
    using Wall = std::function<std::string()>;  ///< for events of our own

    /// So long the storage may take before an event is handed on without it.
    static constexpr std::chrono::seconds grace{2};
    /// A journal that isn't answered for so long, or a guard that is away so long, is waited for no longer.
    static constexpr std::chrono::seconds silence{10};
    /// A journal that has nothing where it must have something is believed after so long.
    static constexpr std::chrono::seconds doubt{10};
    static constexpr std::size_t most_live = 2000;  ///< as many as the guard itself keeps for its storage

    EventOrder(FollowStart start, Wall wall) : start_{std::move(start)}, wall_{std::move(wall)} {}

    /// The guard is to be asked for the events behind this number now.
    std::optional<std::uint64_t> ask(Time now);
    void take_batch(const formats::FeedEvents& batch, Time now);
    void take_live(FollowedEvent event, Time now);
    void set_connected(bool connected, Time now);

    std::optional<FollowedEvent> next(Time now);
    /// Where a start from now on has begun; once.
    std::optional<Place> take_beginning();

private:
    struct Live {
        FollowedEvent event;
        Time came;
    };

    void begin(const formats::FeedEvents& batch);
    void take_entry(const formats::FeedEntry& entry);
    void miss(std::uint64_t first, std::uint64_t last);
    [[nodiscard]] bool live_is_due(Time now) const;
    std::optional<FollowedEvent> numbered(FollowedEvent event);
    static void remember(std::deque<FollowedEvent>& list, const FollowedEvent& event, std::size_t most);

    FollowStart start_;
    Wall wall_;
    std::optional<Place> read_;  ///< how far the journal has been read
    std::optional<Place> beginning_;
    std::deque<FollowedEvent> ready_;
    std::deque<Live> live_;
    std::deque<FollowedEvent> seen_;            ///< the journal's last ones: their live twins may come later
    std::deque<FollowedEvent> told_live_;       ///< their stored twins may come later
    std::optional<std::uint64_t> last_number_;  ///< since the guard's start, of the last one handed on
    bool connected_ = false, waits_ = false, has_more_ = false;
    Time asked_{}, away_since_{};
    std::optional<Time> caught_up_;    ///< when the question was asked whose answer reached the journal's end
    std::optional<Time> empty_since_;  ///< since then the journal has had nothing where it must have something
};

}  // namespace dekeyd::ctl
