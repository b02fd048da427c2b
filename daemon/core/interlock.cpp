#include "core/interlock.hpp"

#include <algorithm>
#include <utility>

namespace dekeyd::core {

namespace {

// A leaky counter in units of time: each entry adds a window, a second leaks a second. More than (entries - 1)
// windows means that so many came within one window, or kept coming faster than one a window.
bool overflows(Duration level, std::uint32_t entries, Duration window) noexcept {
    return entries > 0 && level > window * (entries - 1);
}

Duration filled(Duration level, std::uint32_t entries, Duration window) noexcept {
    const Duration full = window * entries;
    return std::min(std::min(level, full) + window, full);  // a damaged file's sum is no larger than all that it counts
}

}  // namespace

Interlock::Interlock(const InterlockPlan& plan, std::vector<SourceRule> rules, Memory memory, bool unclean_start)
    : plan_{plan},
      rules_{std::move(rules)},
      causes_(rules_.size()),
      memory_{std::move(memory)},
      trip_level_{memory_.trip_level},
      unclean_level_{memory_.unclean_level} {
    // A memory that doesn't fit these sources can't be trusted to hold every latch.
    if (!memory_.latched.empty() && memory_.latched.size() != rules_.size()) memory_.unreadable = true;
    memory_.latched.resize(rules_.size());
    for (std::size_t source = 0; source < causes_.size(); ++source) {
        if (memory_.latched[source] == 0) continue;
        causes_[source].active = causes_[source].latched = true;
        causes_[source].gravest = Condition::bad;  // nothing else latches
        ++active_;
    }
    if (plan_.held_after_start) memory_.held_remotely = true;  // the weaker hold: more people may release it
    if (unclean_start) {
        unclean_level_ = filled(unclean_level_, plan_.unclean_starts, plan_.unclean_window);
        trip_level_ = filled(trip_level_, plan_.lockout_trips, plan_.lockout_window);
        memory_.unclean_level = unclean_level_;
        memory_.trip_level = trip_level_;
        if (overflows(unclean_level_, plan_.unclean_starts, plan_.unclean_window) ||
            overflows(trip_level_, plan_.lockout_trips, plan_.lockout_window)) {
            memory_.locked_out = true;
        }
    }
}

State Interlock::state() const noexcept {
    if (memory_.locked_out) return State::locked_out;
    const bool latched = std::any_of(causes_.begin(), causes_.end(), [](const Cause& c) { return c.latched; });
    if (latched || memory_.first_start || memory_.unreadable) return State::latched;
    if (memory_.held_locally || memory_.held_remotely) return State::held;
    if (active_ > 0) return State::tripped;
    if (starting_) return State::starting;
    return permit_ ? State::permitted : State::starting;
}

bool Interlock::free_of_causes() const noexcept {
    return !starting_ && active_ == 0 && !memory_.held_locally && !memory_.held_remotely && !memory_.locked_out &&
           !memory_.first_start && !memory_.unreadable;
}

bool Interlock::only_held_locally() const noexcept {
    const bool kept = memory_.locked_out || memory_.first_start || memory_.unreadable;
    return memory_.held_locally && !starting_ && active_ == 0 && !memory_.held_remotely && !kept;
}

bool Interlock::step(Instant now, std::span<const Condition> conditions, bool drive_absent,
                     std::span<const Command> commands, EventList& events) noexcept {
    if (stepped_) now = std::max(now, last_);
    leak(now);
    first_found_ = false;
    if (!all_as_it_was(conditions)) {
        const std::size_t told = std::min(conditions.size(), causes_.size());
        for (std::size_t source = 0; source < told; ++source) {
            const Condition condition = conditions[source];
            if (condition != Condition::missed)
                see(now, static_cast<SourceIndex>(source), condition, drive_absent, events);
        }
        for (std::size_t source = told; source < causes_.size(); ++source)
            see(now, static_cast<SourceIndex>(source), Condition::unknown, drive_absent, events);
        at_rest_ = active_ == 0 && all_clear();
    }
    if (starting_) settle(now);
    const bool may_permit = free_of_causes();
    bool ordered = false;
    for (const Command& command : commands) {
        obey(now, command, events);
        ordered = ordered || is_order(command.kind);
    }
    const bool permitted_before = permit_;
    permit_ = may_permit && free_of_causes() && (permitted_before || (!ordered && drive_absent));
    if (permit_ && !permitted_before) events.add({.at = now, .kind = EventKind::permitted});
    last_ = now;
    stepped_ = true;
    for (Event& event : events.all()) event.state = state();
    return permit_;
}

bool Interlock::all_clear() const noexcept {
    return std::all_of(causes_.begin(), causes_.end(),
                       [](const Cause& cause) { return cause.condition == Condition::clear; });
}

// Most steps: nothing stands, and what is told is clear or no news.
bool Interlock::all_as_it_was(std::span<const Condition> conditions) const noexcept {
    return at_rest_ && conditions.size() >= causes_.size() &&
           std::all_of(conditions.begin(), conditions.end(), [](Condition condition) {
               return condition == Condition::clear || condition == Condition::missed;
           });
}

void Interlock::leak(Instant now) noexcept {
    if (!stepped_) return;
    const Duration passed = now - last_;
    trip_level_ = std::max(trip_level_ - passed, Duration::zero());
    unclean_level_ = std::max(unclean_level_ - passed, Duration::zero());
    if (memory_.locked_out) return;  // what it was locked out for stays to be told
    if (trip_level_ == Duration::zero()) memory_.trip_level = Duration::zero();
    if (unclean_level_ == Duration::zero()) memory_.unclean_level = Duration::zero();
}

void Interlock::see(Instant now, SourceIndex source, Condition condition, bool drive_absent,
                    EventList& events) noexcept {
    Cause& cause = causes_[source];
    const bool was_clear = cause.condition == Condition::clear;
    cause.condition = condition;
    switch (condition) {
        case Condition::missed: return;
        case Condition::band: return;
        case Condition::unknown:
            // While starting nothing has been known yet: that isn't a trip, and starting itself inhibits.
            if (!starting_) activate(now, source, events);
            return;
        case Condition::bad: {
            const bool news = !cause.active;
            activate(now, source, events);
            cause.gravest = Condition::bad;
            if (rules_[source].latches && !cause.latched) latch(now, source, news ? nullptr : &events);
            return;
        }
        case Condition::clear: break;
    }
    if (!was_clear) cause.clear_since = now;
    if (cause.active && !cause.latched && drive_absent && gone(now, source)) {
        cause.active = cause.first = false;
        cause.gravest = Condition::clear;
        --active_;
        events.add({.at = now, .kind = EventKind::cleared, .source = source});
    }
}

bool Interlock::gone(Instant now, SourceIndex source) const noexcept {
    const Cause& cause = causes_[source];
    return cause.condition == Condition::clear && now - cause.clear_since >= rules_[source].hold_off;
}

void Interlock::activate(Instant now, SourceIndex source, EventList& events) noexcept {
    Cause& cause = causes_[source];
    if (cause.active) return;
    cause.active = true;
    cause.gravest = cause.condition;
    cause.since = now;
    cause.first = permit_ && !first_found_;
    ++active_;
    events.add({.at = now,
                .kind = EventKind::tripped,
                .source = source,
                .first_cause = cause.first,
                .condition = cause.condition});
    if (!cause.first) return;
    first_found_ = true;
    // One loss of the permit counts once, however many causes it has.
    count_trip(now, source, events);
}

void Interlock::latch(Instant now, SourceIndex source, EventList* events) noexcept {
    causes_[source].latched = true;
    memory_.latched[source] = 1;
    if (events != nullptr) {
        events->add({.at = now, .kind = EventKind::latched, .source = source, .condition = Condition::bad});
    }
}

void Interlock::count_trip(Instant now, SourceIndex source, EventList& events) noexcept {
    if (!rules_[source].counted) return;
    trip_level_ = filled(trip_level_, plan_.lockout_trips, plan_.lockout_window);
    memory_.trip_level = trip_level_;
    memory_.unclean_level = unclean_level_;
    if (!memory_.locked_out && overflows(trip_level_, plan_.lockout_trips, plan_.lockout_window)) {
        memory_.locked_out = true;
        events.add({.at = now, .kind = EventKind::locked_out, .source = source});
    }
}

void Interlock::settle(Instant now) noexcept {
    const bool clear = all_clear();
    if (clear && !settling_) settled_since_ = now;
    settling_ = clear;
    if (settling_ && now - settled_since_ >= plan_.settling) starting_ = false;
}

Instant Interlock::due() const noexcept {
    return starting_ && settling_ ? settled_since_ + plan_.settling : Instant::max();
}

void Interlock::answer(Instant now, EventKind kind, const Command& command, SourceIndex source,
                       EventList& events) noexcept {
    events.add({.at = now,
                .kind = kind,
                .source = source,
                .condition = source == no_source ? Condition::clear : causes_[source].condition,
                .origin = command.origin,
                .command = command.kind,
                .command_id = command.id});
}

void Interlock::obey(Instant now, const Command& command, EventList& events) noexcept {
    switch (command.kind) {
        case CommandKind::hold:
            (command.origin == Origin::local ? memory_.held_locally : memory_.held_remotely) = true;
            answer(now, EventKind::held, command, no_source, events);
            return;
        case CommandKind::release: release(now, command, events); return;
        case CommandKind::reset: reset(now, command, events); return;
        case CommandKind::commission:
        case CommandKind::end_commissioning:
        case CommandKind::prove:
        case CommandKind::prove_line:
        case CommandKind::prove_limit:
        case CommandKind::prove_passed:
        case CommandKind::prove_end:  // Protection's
        case CommandKind::noted:
        case CommandKind::objected: return;
    }
}

void Interlock::release(Instant now, const Command& command, EventList& events) noexcept {
    const bool held = memory_.held_locally || memory_.held_remotely;
    const bool local = command.origin == Origin::local;
    if (!held || (memory_.held_locally && !local)) {
        answer(now, EventKind::refused, command, no_source, events);
        return;
    }
    memory_.held_locally = memory_.held_remotely = false;
    answer(now, EventKind::released, command, no_source, events);
}

void Interlock::reset(Instant now, const Command& command, EventList& events) noexcept {
    const bool latched = std::any_of(causes_.begin(), causes_.end(), [](const Cause& c) { return c.latched; });
    if (!latched && !memory_.locked_out && !memory_.first_start && !memory_.unreadable) {
        answer(now, EventKind::refused, command, no_source, events);
        return;
    }
    for (std::size_t i = 0; i < causes_.size(); ++i) {
        const auto source = static_cast<SourceIndex>(i);
        if (causes_[i].active && !rules_[i].after_reset && !gone(now, source)) {
            answer(now, EventKind::refused, command, source, events);
            return;
        }
    }
    // The causes stay active: each leaves as a tripped one does, at the next look that finds it clear and no drive.
    for (Cause& cause : causes_) cause.latched = false;
    std::fill(memory_.latched.begin(), memory_.latched.end(), std::uint8_t{0});
    memory_.locked_out = memory_.first_start = memory_.unreadable = false;
    trip_level_ = unclean_level_ = memory_.trip_level = memory_.unclean_level = Duration::zero();
    answer(now, EventKind::reset, command, no_source, events);
}

}  // namespace dekeyd::core
