// The guard's output to its readers: every event, and the newest snapshot.
#pragma once

#include "base/handover.hpp"
#include "core/protection.hpp"

namespace dekeyd {

/// What one reader outside gets of the guard: all events, each with its snapshot, and else the newest snapshot, as
/// often as it has use for one: to copy it costs more than many a decision.
struct Outlet {
    Ring<core::Event> events;
    Newest<core::Snapshot> snapshot;
    Wake* reader = nullptr;         ///< rung after each decision that has events, where there is one
    core::Duration pace{};          ///< between snapshots in which nothing has happened; zero: each
    core::Instant next_snapshot{};  ///< the guard's

    explicit Outlet(const core::Plan& plan, std::size_t places = event_places, core::Duration between = {})
        : events{places}, snapshot{core::Protection::blank(plan)}, pace{between} {}
    static constexpr std::size_t event_places = 1024;
};

}  // namespace dekeyd
