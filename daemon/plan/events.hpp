// What happens and what is asked for: states, causes, commands, events, and what survives a restart. Values only.
#pragma once

#include <cstdint>
#include <span>
#include <string_view>
#include <vector>

#include "plan/enum_words.hpp"
#include "plan/reading.hpp"
#include "plan/time.hpp"

namespace dekeyd::core {

/// From harmless to severest; the state shown is the severest cause's.
enum class State : std::uint8_t { permitted, starting, tripped, held, latched, locked_out };
inline constexpr Words<State::locked_out> state_words{"permitted", "starting", "tripped",
                                                      "held",      "latched",  "locked out"};
inline std::string_view text(State value) noexcept {
    return state_words.of(value);
}

enum class Origin : std::uint8_t { none, local, remote };
/// What follows reset changes no cause, and is local only.
enum class CommandKind : std::uint8_t {
    hold,
    release,
    reset,
    commission,  ///< begins: a permit under provisional limits, for a while
    end_commissioning,
    prove,         ///< a proof test begins
    prove_line,    ///< the line to permit and back
    prove_limit,   ///< one limit is forced
    prove_passed,  ///< the operator confirms the contact: the test is passed, if nothing is missing
    prove_end,
    noted,     ///< the storage has taken this start
    objected,  ///< the second opinion took the last permit away; `limit`: the source that it named
};
/// A part of a proof test.
constexpr bool is_proof(CommandKind kind) noexcept {
    return kind >= CommandKind::prove && kind <= CommandKind::prove_end;
}
/// The others only tell something.
constexpr bool is_order(CommandKind kind) noexcept {
    return kind != CommandKind::noted && kind != CommandKind::objected;
}
inline constexpr Words<Origin::remote> origin_words{"none", "local", "remote"};
inline std::string_view text(Origin value) noexcept {
    return origin_words.of(value);
}
inline constexpr Words<CommandKind::objected> command_kind_words{
    "hold",        "release",      "reset",     "commission", "end-commissioning", "prove", "prove-line",
    "prove-limit", "prove-passed", "prove-end", "noted",      "objected"};
inline std::string_view text(CommandKind value) noexcept {
    return command_kind_words.of(value);
}

struct Command {
    CommandKind kind = CommandKind::hold;
    Origin origin = Origin::local;
    std::uint32_t id = 0;              ///< given back in the event that answers it
    std::uint16_t limit = 0;           ///< prove_limit: which; objected: a limit's or a channel's source
    Instant arrived = Instant::max();  ///< from outside: one that waits too long for the guard never reaches a step
};

/// Index of a cause's source: limits first, then channels, then Builtin.
using SourceIndex = std::uint16_t;
inline constexpr SourceIndex no_source = 0xffff;

/// What the interlock is told of one cause. From `clear` to `unknown` in the order of worsening.
enum class Condition : std::uint8_t {
    clear,    ///< seen to be gone
    band,     ///< neither wrong enough to trip nor gone
    bad,      ///< wrong for the qualify time
    unknown,  ///< can't be told, which inhibits
    missed,   ///< no news since the last step
};

inline constexpr Words<Condition::missed> condition_words{"clear", "not yet clear", "bad", "unknown", "no news"};
inline std::string_view text(Condition value) noexcept {
    return condition_words.of(value);
}

/// What must survive a restart. Latches are by source; the file keeps them by id.
struct Memory {
    bool first_start = false;  ///< no state file: latched until the operator's first reset
    bool unreadable = false;   ///< a damaged one: latched
    bool locked_out = false;
    bool held_locally = false;
    bool held_remotely = false;
    Duration trip_level{};              ///< the leaky counter: + window for each trip, leaks one second a second
    Duration unclean_level{};           ///< the same for unclean starts
    std::vector<std::uint8_t> latched;  ///< one per source; bytes, which are copied at each step
    bool operator==(const Memory&) const = default;

    template <class Archive, class Self>
    static void fields(Archive& a, Self& self) {
        a(self.first_start, self.unreadable, self.locked_out, self.held_locally, self.held_remotely, self.trip_level,
          self.unclean_level, self.latched);
    }
};

enum class EventKind : std::uint8_t {
    started,    ///< the daemon decides; value: 1 after an unclean stop
    permitted,  ///< the line goes to permit
    tripped,    ///< a source became a cause; one for each trip
    latched,    ///< a standing cause became latched
    cleared,    ///< a cause left
    locked_out,
    held,
    released,
    reset,
    refused,  ///< a command changed nothing; source: what stands, if anything
    warning,
    warning_over,
    sensor_lost,
    sensor_back,
    rf_on,  ///< a transmission begins
    rf_off,
    transmission_ending,  ///< the longest transmission is nearly reached
    contactor_opened,     ///< the second line dropped the supply
    contactor_closed,
    commissioning,  ///< a detector is being calibrated: provisional limits
    commissioning_over,
    proof_begun,
    proof_line,   ///< the line was driven both ways, or wasn't
    proof_limit,  ///< a limit was forced
    proof_passed,
    proof_ended,  ///< not passed
};

/// How grave it is: the level in the logs, the tone on screens and on the page follow from it.
enum class Severity : std::uint8_t {
    notice,
    good,     ///< the amplifier may transmit
    warning,  ///< somebody should look
    alarm,    ///< the permit was taken away, or can't come back by itself
};
inline constexpr Words<Severity::alarm> severity_words{"notice", "good", "warning", "alarm"};
/// The same as levels of a log, by the words that both spdlog and Homie have.
inline constexpr Words<Severity::alarm> log_level_words{"info", "info", "warn", "error"};
inline std::string_view text(Severity value) noexcept {
    return severity_words.of(value);
}

/// Everything that is fixed about a kind of event.
struct EventRow {
    EventKind kind;
    std::string_view id;
    Severity severity;
    std::string_view sign;  ///< one character, so that neither colour nor reading is needed to find it
};
inline constexpr std::size_t event_kind_count = static_cast<std::size_t>(EventKind::proof_ended) + 1;
const EventRow& row_of(EventKind kind) noexcept;
std::string_view text(EventKind kind) noexcept;
/// How a proof test, a part of it or an order for it came out.
enum class ProofEnd : std::uint8_t {
    none,
    passed,
    left,
    not_local,
    not_held,
    rf_present,
    drive_present,
    cause,
    supplied,
    busy,
    not_begun,
    unprovable,
    unfinished,
    expired,
    line_silent,
    contact_silent,
    not_tripped,
    monitor_only,
    commissioning,
};
inline constexpr Words<ProofEnd::commissioning> proof_end_words{
    "none",
    "passed",
    "ended by the operator",
    "allowed only at the amplifier, never remotely",
    "no local hold stands",
    "RF is not measured absent",
    "drive is not measured absent, and there is no supply contactor whose contacts are seen to open",
    "another cause than the local hold stands",
    "the supply has not fallen yet",
    "a part of the test is running",
    "no test has begun",
    "this can't be forced",
    "something has not been proved yet",
    "no order came for too long",
    "the line was not read back as written",
    "the enable voltage didn't follow",
    "the limit didn't trip",
    "monitor-only: the permit is never driven",
    "commissioning runs, with other limits and detectors not calibrated yet"};
inline std::string_view text(ProofEnd value) noexcept {
    return proof_end_words.of(value);
}

/// What a proof measured; zero: not measured.
struct ProofTimes {
    Duration line_on{};     ///< from the decision to the line read back at permit
    Duration line_off{};    ///< ... at inhibit; of a limit: from the injection on
    Duration contact_on{};  ///< ... to the enable voltage after the contact
    Duration contact_off{};

    template <class Archive, class Self>
    static void fields(Archive& a, Self& self) {
        a(self.line_on, self.line_off, self.contact_on, self.contact_off);
    }
};

struct Event {
    std::uint64_t number = 0;  ///< counts from 1 since this start
    Instant at{};
    EventKind kind = EventKind::started;
    SourceIndex source = no_source;
    SourceIndex about = no_source;  ///< of the second opinion: the limit or channel that it named
    State state = State::starting;  ///< after the step
    bool first_cause = false;       ///< tripped: permit stood until this one
    Condition condition = Condition::clear;
    Reading reading{};   ///< of the quantity concerned
    double level = 0.0;  ///< the limit passed, or 0
    Origin origin = Origin::none;
    CommandKind command = CommandKind::hold;
    std::uint32_t command_id = 0;
    bool forced = false;  ///< tripped, latched or cleared by the proof test's doing
    ProofEnd why = ProofEnd::none;
    ProofTimes times{};

    template <class Archive, class Self>
    static void fields(Archive& a, Self& self) {
        a(self.number, self.at, self.kind, self.source, self.about, self.state, self.first_cause, self.condition,
          self.reading, self.level, self.origin, self.command, self.command_id, self.forced, self.why, self.times);
    }
};

/// Its kind's, but what a proof test forces is no alarm, and a part of one that failed is worth a look.
Severity severity_of(const Event& event) noexcept;

/// Fixed room, filled during one step, emptied at the next; what doesn't fit is counted, never lost in silence.
class EventList {
public:
    explicit EventList(std::size_t room) { events_.reserve(room); }
    void clear() noexcept { events_.clear(); }
    void add(const Event& event) noexcept {
        ++number_;
        if (events_.size() == events_.capacity()) {
            ++dropped_;
            return;
        }
        events_.push_back(event);
        events_.back().number = number_;
    }
    [[nodiscard]] std::span<const Event> all() const noexcept { return events_; }
    [[nodiscard]] std::span<Event> all() noexcept { return events_; }
    [[nodiscard]] std::uint64_t dropped() const noexcept { return dropped_; }
    template <class Archive, class Self>
    static void fields(Archive& a, Self& self) {
        a(self.number_, self.dropped_);
    }

private:
    std::vector<Event> events_;
    std::uint64_t number_ = 0;
    std::uint64_t dropped_ = 0;
};

/// One source as the operator sees it.
struct Cause {
    Condition condition = Condition::unknown;  ///< the last one that was news
    Condition gravest = Condition::clear;      ///< active: the worst since then: bad, or never more than unknown
    bool active = false;                       ///< it inhibits
    bool latched = false;
    bool first = false;     ///< the cause that took the permit away
    Instant since{};        ///< active: since when
    Instant clear_since{};  ///< meaningful while condition is clear

    template <class Archive, class Self>
    static void fields(Archive& a, Self& self) {
        a(self.condition, self.gravest, self.active, self.latched, self.first, self.since, self.clear_since);
    }
};

}  // namespace dekeyd::core
