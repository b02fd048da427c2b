// Delivers the guard's journal: in order, one event on its way at a time, again until the broker has it.
#pragma once

#include <cstdint>
#include <deque>
#include <optional>
#include <string>

#include "base/log.hpp"
#include "telemetry/delivered_place.hpp"
#include "telemetry/guard_view.hpp"
#include "telemetry/outbox.hpp"

namespace dekeyd {

class EventDelivery {
public:
    EventDelivery(GuardView& guard, DeliveredPlace& place, Outbox& outbox, std::string topic)
        : guard_{guard}, place_{place}, outbox_{outbox}, topic_{std::move(topic)} {}

    /// Sends the next one, if there is one and none is on its way.
    void send_next(const formats::FeedStorage& storage, core::Instant now);
    /// The broker has the one that was on its way.
    void delivered();
    /// Another session: whether the broker has the one that was on its way isn't known.
    void begin_session() noexcept { on_its_way_ = 0; }

    /// Events that were no longer in the journal when their turn came.
    [[nodiscard]] std::uint64_t missing() const noexcept { return missing_; }
    [[nodiscard]] std::uint64_t waiting(const formats::FeedStorage& storage) const;
    /// The last that were delivered, as a JSON array; empty: none yet.
    [[nodiscard]] const std::string& recent() const noexcept { return recent_json_; }
    /// The last trips and how they ended, likewise: transmissions don't push them out.
    [[nodiscard]] const std::string& trips() const noexcept { return trips_json_; }

private:
    bool recall(const formats::FeedStorage& storage, std::uint64_t delivered);
    void remember(const std::string& text);

    GuardView& guard_;
    DeliveredPlace& place_;
    Outbox& outbox_;
    std::string topic_;
    std::optional<formats::JournalEntry> next_;
    std::uint64_t on_its_way_ = 0;    ///< its number; 0: none
    std::deque<std::string> recent_;  ///< oldest first
    std::string recent_json_;
    std::deque<std::string> trips_;
    std::string trips_json_;
    bool last_permitted_ = true;  ///< as the last of them says
    std::string recalled_;        ///< the epoch in which that is done
    std::uint64_t next_recalled_ = 0;
    std::uint64_t missing_ = 0;
    RateLimit complaints_{std::chrono::seconds{60}};
};

}  // namespace dekeyd
