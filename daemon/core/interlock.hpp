// The interlock: permit <=> no cause stands.
#pragma once

#include <cstdint>
#include <span>
#include <vector>

#include "plan/events.hpp"
#include "plan/plan.hpp"
#include "plan/time.hpp"

namespace dekeyd::core {

struct SourceRule {
    Duration hold_off{};
    bool latches = false;
    bool counted = true;
    bool after_reset = false;  ///< it ends only once another's latch is reset, so it doesn't stand against that
};

class Interlock {
public:
    /// `rules`: one per source; `memory.latched` has as many, or is empty.
    Interlock(const InterlockPlan& plan, std::vector<SourceRule> rules, Memory memory, bool unclean_start);

    /// One decision. `conditions`: one per source, never-evaluated ones unknown. `drive_absent`: false also when
    /// drive can't be told; no permit begins without it. Commands act after the decision, so that none turns inhibit
    /// into permit in its own step. Returns permit. No throw, no allocation.
    bool step(Instant now, std::span<const Condition> conditions, bool drive_absent, std::span<const Command> commands,
              EventList& events) noexcept;

    [[nodiscard]] bool permit() const noexcept { return permit_; }
    [[nodiscard]] State state() const noexcept;
    [[nodiscard]] bool starting() const noexcept { return starting_; }
    /// Nothing stands against a permit but a local hold.
    [[nodiscard]] bool only_held_locally() const noexcept;
    [[nodiscard]] std::span<const Cause> causes() const noexcept { return causes_; }
    [[nodiscard]] const Memory& memory() const noexcept { return memory_; }
    [[nodiscard]] std::span<const SourceRule> rules() const noexcept { return rules_; }
    /// Nothing stands against a permit, and there is none: drive isn't absent, or an order came in this step.
    [[nodiscard]] bool awaits_no_drive() const noexcept { return free_of_causes() && !permit_; }
    /// Earliest time at which state may change without news; Instant::max() if none.
    [[nodiscard]] Instant due() const noexcept;
    /// Since when every source has been clear; meaningful while starting() and settling().
    [[nodiscard]] Instant settled_since() const noexcept { return settled_since_; }
    [[nodiscard]] bool settling() const noexcept { return settling_; }
    /// The leaky counters as of the last step.
    [[nodiscard]] Duration trip_level() const noexcept { return trip_level_; }
    [[nodiscard]] Duration unclean_level() const noexcept { return unclean_level_; }

    /// Its state but the causes, for captures.
    template <class Archive, class Self>
    static void fields(Archive& a, Self& self) {
        a(self.memory_.first_start, self.memory_.unreadable, self.memory_.locked_out, self.memory_.held_locally,
          self.memory_.held_remotely, self.memory_.trip_level, self.memory_.unclean_level, self.trip_level_,
          self.unclean_level_, self.starting_, self.permit_, self.settling_, self.settled_since_, self.last_,
          self.stepped_);
    }
    /// Goes on with these causes, one per source.
    void take_causes(std::span<const Cause> causes) noexcept;

private:
    void leak(Instant now) noexcept;
    void see(Instant now, SourceIndex source, Condition condition, bool drive_absent, EventList& events) noexcept;
    void activate(Instant now, SourceIndex source, EventList& events) noexcept;
    void latch(Instant now, SourceIndex source, EventList* events) noexcept;
    void count_trip(Instant now, SourceIndex source, EventList& events) noexcept;
    void settle(Instant now) noexcept;
    void obey(Instant now, const Command& command, EventList& events) noexcept;
    void release(Instant now, const Command& command, EventList& events) noexcept;
    void reset(Instant now, const Command& command, EventList& events) noexcept;
    void answer(Instant now, EventKind kind, const Command& command, SourceIndex source, EventList& events) noexcept;
    [[nodiscard]] bool gone(Instant now, SourceIndex source) const noexcept;
    [[nodiscard]] bool free_of_causes() const noexcept;
    [[nodiscard]] bool all_clear() const noexcept;
    [[nodiscard]] bool all_as_it_was(std::span<const Condition> conditions) const noexcept;

    InterlockPlan plan_;
    std::vector<SourceRule> rules_;
    std::vector<Cause> causes_;
    Memory memory_;
    Duration trip_level_{};  ///< leaks every step; memory_ has it as of the last event, so that idling writes nothing
    Duration unclean_level_{};
    std::size_t active_ = 0;  ///< how many causes are active
    bool at_rest_ = false;    ///< none is active, and each was clear when it was seen last
    bool starting_ = true;
    bool permit_ = false;
    bool first_found_ = false;  ///< in this step a first cause was marked
    bool settling_ = false;     ///< every source's last condition is clear
    Instant settled_since_{};
    Instant last_{};
    bool stepped_ = false;
};

}  // namespace dekeyd::core
