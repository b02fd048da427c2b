// Visits every reachable state of a limit's timer and of the interlock, with time in ticks, and checks in each what
// must never be otherwise. Two parts that compose: the timer turns verdicts into conditions, and the interlock is fed
// arbitrary conditions, commands and restarts. Exit code 0: every invariant held; 3: one didn't.
#include <algorithm>
#include <cstdint>
#include <cstdio>
#include <cstdlib>
#include <deque>
#include <string>
#include <unordered_set>
#include <vector>

#include "core/interlock.hpp"
#include "core/limit.hpp"

using namespace dekeyd::core;

namespace {

constexpr Duration tick{4};  // of the decay's common divisor, so that every duration is whole

std::uint64_t violations = 0;

void demand(bool holds, const char* invariant, const std::string& where) {
    if (holds) return;
    if (++violations <= 5) std::printf("  VIOLATED: %s (%s)\n", invariant, where.c_str());
}

// ---- part one: a limit's timer -----------------------------------------------------------------------------------

constexpr Duration qualify = 2 * tick;

struct TimerState {
    QualifyTimer timer{qualify};
    Instant now{Duration{1000}};
    // The reference: what the timer is for, in integers of its own.
    std::int64_t outside = 0;
    Verdict last = Verdict::missed;
};

Condition expected(TimerState& state, std::int64_t passed, Verdict verdict) {
    const bool counted = state.last == Verdict::outside || state.last == Verdict::unknown;
    const bool ran_out =
        state.last == Verdict::outside && state.outside < qualify.count() && state.outside + passed >= qualify.count();
    if (counted)
        state.outside = std::min<std::int64_t>(state.outside + passed, qualify.count());
    else if (state.last != Verdict::missed)
        state.outside = std::max<std::int64_t>(state.outside - passed / 4, 0);
    if (verdict != Verdict::missed) state.last = verdict;
    if (ran_out) return Condition::bad;
    if (state.last == Verdict::missed) return Condition::unknown;
    if (state.last == Verdict::outside && state.outside >= qualify.count()) return Condition::bad;
    if (verdict == Verdict::missed) return Condition::missed;
    if (verdict == Verdict::outside || verdict == Verdict::band) return Condition::band;
    return verdict == Verdict::unknown ? Condition::unknown : Condition::clear;
}

void explore_timer(std::uint64_t& states, std::uint64_t& transitions) {
    std::unordered_set<std::uint64_t> seen;
    std::deque<TimerState> frontier{TimerState{}};
    const auto key = [](const TimerState& s) {
        return static_cast<std::uint64_t>(s.outside) * 16 + static_cast<std::uint64_t>(s.last);
    };
    seen.insert(key(frontier.front()));
    while (!frontier.empty()) {
        const TimerState state = frontier.front();
        frontier.pop_front();
        for (int ticks = 1; ticks <= 2; ++ticks) {
            Condition worst_so_far = Condition::clear;
            for (int v = 0; v <= static_cast<int>(Verdict::missed); ++v) {
                const auto verdict = static_cast<Verdict>(v);
                TimerState next = state;
                next.now += ticks * tick;
                const Condition condition = next.timer.update(next.now, verdict);
                const Condition should = expected(next, ticks * tick.count(), verdict);
                const std::string where = "timer, last " + std::string(text(state.last)) + ", outside " +
                                          std::to_string(state.outside) + ", then " + std::string(text(verdict));
                demand(condition == should, "the timer agrees with its reference", where);
                demand(next.timer.outside_for().count() == next.outside, "time beyond the level adds up", where);
                const bool due = next.timer.due() != Instant::max();
                demand(due == (next.last == Verdict::outside && next.outside < qualify.count()),
                       "a pending trip has a due time", where);
                if (verdict != Verdict::missed) {
                    // Verdicts are listed from good to bad: a worse one never gives a better condition.
                    demand(condition >= worst_so_far, "a worse verdict gives no better condition", where);
                    worst_so_far = condition;
                }
                ++transitions;
                if (seen.insert(key(next)).second) frontier.push_back(next);
            }
        }
    }
    states = seen.size();
}

// A fault that is outside for one tick in so many, for ever, must trip.
void flap() {
    for (int inside = 1; inside <= 3; ++inside) {
        QualifyTimer timer{qualify};
        Instant now{Duration{1000}};
        bool tripped = false;
        for (int round = 0; round < 100 && !tripped; ++round) {
            now += inside * tick;
            tripped = timer.update(now, Verdict::outside) == Condition::bad;
            now += tick;
            tripped = tripped || timer.update(now, Verdict::clear) == Condition::bad;
        }
        demand(tripped, "a fault that flaps still trips", "one tick outside, " + std::to_string(inside) + " inside");
    }
}

// ---- part two: the interlock -------------------------------------------------------------------------------------

constexpr std::size_t sources = 2;
const std::vector<SourceRule> rules{{3 * tick, false, true}, {1 * tick, true, true}};

InterlockPlan plan() {
    InterlockPlan p;
    p.settling = 2 * tick;
    p.lockout_trips = 2;
    p.lockout_window = 3 * tick;
    p.unclean_starts = 2;
    p.unclean_window = 2 * tick;
    return p;
}

struct Node {
    Interlock interlock;
    Instant now;
    bool proved[sources] = {};  ///< ghost: seen clear since its last trip, or since the start
};

std::uint64_t saturated(Duration age, Duration most) {
    return static_cast<std::uint64_t>(std::clamp(age, Duration::zero(), most).count() / tick.count());
}

std::uint64_t key(const Node& node) {
    std::uint64_t k = 1;
    const auto put = [&k](std::uint64_t value, std::uint64_t size) { k = k * size + value; };
    const Interlock& i = node.interlock;
    for (std::size_t s = 0; s < sources; ++s) {
        const Cause& c = i.causes()[s];
        put(static_cast<std::uint64_t>(c.condition), 5);
        put(c.active, 2);
        put(c.latched, 2);
        put(c.condition == Condition::clear ? saturated(node.now - c.clear_since, rules[s].hold_off) : 0, 5);
        put(node.proved[s], 2);
    }
    const Memory& m = i.memory();
    put(m.first_start, 2);
    put(m.unreadable, 2);
    put(m.locked_out, 2);
    put(m.held_locally, 2);
    put(m.held_remotely, 2);
    put(saturated(i.trip_level(), 6 * tick), 7);
    put(saturated(i.unclean_level(), 4 * tick), 5);
    put(saturated(m.trip_level, 6 * tick), 7);
    put(saturated(m.unclean_level, 4 * tick), 5);
    put(i.starting(), 2);
    put(i.permit(), 2);
    put(i.settling() ? 1 + saturated(node.now - i.settled_since(), 2 * tick) : 0, 4);
    return k;
}

constexpr Condition conditions_in_order[] = {Condition::clear, Condition::band, Condition::bad, Condition::unknown,
                                             Condition::missed};
constexpr int condition_count = 5;

struct Order {
    bool given;
    Command command;
};
const Order orders[] = {{false, {}},
                        {true, {CommandKind::hold, Origin::local, 1}},
                        {true, {CommandKind::hold, Origin::remote, 2}},
                        {true, {CommandKind::release, Origin::local, 3}},
                        {true, {CommandKind::release, Origin::remote, 4}},
                        {true, {CommandKind::reset, Origin::local, 5}},
                        {true, {CommandKind::reset, Origin::remote, 6}}};

std::string words(const Node& node, const Condition (&conditions)[sources], const Order& order) {
    std::string w = "from " + std::string(text(node.interlock.state())) + " with";
    for (Condition c : conditions) w += " " + std::string(text(c));
    if (order.given) w += ", " + std::string(text(order.command.origin)) + " " + std::string(text(order.command.kind));
    return w;
}

void check(const Node& before, const Node& after, const Condition (&conditions)[sources], const Order& order,
           bool drive_absent, const EventList& events) {
    const Interlock& was = before.interlock;
    const Interlock& is = after.interlock;
    const auto demand_here = [&](bool holds, const char* invariant) {
        if (!holds) demand(false, invariant, words(before, conditions, order));
    };
    bool cause = is.starting();
    bool all_proved = true;
    for (std::size_t s = 0; s < sources; ++s) {
        cause = cause || is.causes()[s].active;
        all_proved = all_proved && after.proved[s];
        const Condition known = is.causes()[s].condition;
        demand_here(!is.permit() || known == Condition::clear || known == Condition::band,
                    "no permit with a source bad or unknown");
        const bool became = is.causes()[s].active && !was.causes()[s].active;
        std::size_t trips = 0;
        for (const Event& e : events.all()) trips += e.kind == EventKind::tripped && e.source == s ? 1 : 0;
        demand_here(trips == (became ? 1U : 0U), "one event for one trip");
        const bool unlatched = was.causes()[s].latched && !is.causes()[s].latched;
        demand_here(!unlatched || (order.given && order.command.kind == CommandKind::reset),
                    "a latch leaves only by a reset");
        demand_here(!unlatched || known == Condition::clear, "a reset needs the cause gone");
        demand_here(is.memory().latched[s] == is.causes()[s].latched, "the memory knows every latch");
        demand_here(!(known == Condition::bad && rules[s].latches) || is.causes()[s].latched,
                    "a latching source that is bad is latched");
    }
    const Memory& m = is.memory();
    const Memory& n = was.memory();
    cause = cause || m.held_locally || m.held_remotely || m.locked_out || m.first_start || m.unreadable;
    demand_here(!is.permit() || !cause, "permit means no cause");
    demand_here(is.permit() || cause || order.given || !drive_absent,
                "no cause and no drive mean permit, but in a command's own step");
    demand_here(!is.permit() || all_proved, "permit means every source seen clear since its last trip");
    demand_here(!order.given || was.permit() || !is.permit(), "no command permits by itself");
    const bool unlocked =
        (n.locked_out && !m.locked_out) || (n.first_start && !m.first_start) || (n.unreadable && !m.unreadable);
    demand_here(!unlocked || (order.given && order.command.kind == CommandKind::reset),
                "a lockout leaves only by a reset");
    if (unlocked) {
        for (const Cause& c : is.causes()) {
            demand_here(!c.active || c.condition == Condition::clear, "a lockout's reset needs the causes gone");
        }
    }
    demand_here(!(n.held_locally && !m.held_locally) || (order.given && order.command.kind == CommandKind::release &&
                                                         order.command.origin == Origin::local),
                "a local hold is released only locally");
    demand_here(!(n.held_remotely && !m.held_remotely) || (order.given && order.command.kind == CommandKind::release),
                "a hold is released only by a release");
    if (was.permit() && !is.permit() && !order.given) {
        std::size_t first = 0;
        for (const Event& e : events.all()) first += e.kind == EventKind::tripped && e.first_cause ? 1 : 0;
        demand_here(first == 1, "one first cause for one loss of the permit");
        demand_here(is.trip_level() > was.trip_level(), "a loss of the permit is counted");
        demand_here(m.locked_out == (is.trip_level() > 3 * tick), "so many trips in the window lock out");
    }
}

void explore_interlock(std::uint64_t& states, std::uint64_t& transitions) {
    std::unordered_set<std::uint64_t> seen;
    std::deque<Node> frontier;
    const auto add = [&](Node&& node) {
        if (seen.insert(key(node)).second) frontier.push_back(std::move(node));
    };
    Memory memories[3];
    memories[1].first_start = true;
    memories[2].unreadable = true;
    for (const Memory& memory : memories) {
        for (bool unclean : {false, true}) {
            Node node{Interlock{plan(), rules, memory, unclean}, Instant{Duration{1000}}, {}};
            demand(!node.interlock.permit(), "a start doesn't permit", "start");
            add(std::move(node));
        }
    }
    EventList events{64};
    while (!frontier.empty() && violations < 100) {
        const Node node = std::move(frontier.front());
        frontier.pop_front();
        // A restart keeps the memory and nothing else.
        for (bool unclean : {false, true}) {
            Node next{Interlock{plan(), rules, node.interlock.memory(), unclean}, Instant{Duration{1000}}, {}};
            demand(!next.interlock.permit(), "a restart doesn't permit", "restart");
            demand(!node.interlock.memory().locked_out || next.interlock.memory().locked_out,
                   "a lockout survives a restart", "restart");
            for (std::size_t s = 0; s < sources; ++s) {
                demand(!node.interlock.causes()[s].latched || next.interlock.causes()[s].latched,
                       "a latch survives a restart", "restart");
            }
            ++transitions;
            add(std::move(next));
        }
        for (const Order& order : orders) {
            for (int variant = 0; variant < 4; ++variant) {
                const bool drive_absent = (variant & 1) != 0;
                const int ticks = 1 + (variant >> 1);
                bool permits[condition_count][condition_count] = {};
                for (int a = 0; a < condition_count; ++a) {
                    for (int b = 0; b < condition_count; ++b) {
                        const Condition conditions[sources] = {conditions_in_order[a], conditions_in_order[b]};
                        Node next = node;
                        next.now += ticks * tick;
                        events.clear();
                        const std::span<const Command> commands{&order.command, order.given ? 1U : 0U};
                        const bool permit = next.interlock.step(next.now, conditions, drive_absent, commands, events);
                        for (std::size_t s = 0; s < sources; ++s) {
                            const Condition c = conditions[s];
                            if (c == Condition::bad || c == Condition::unknown) next.proved[s] = false;
                            if (c == Condition::clear) next.proved[s] = true;
                        }
                        demand(permit == next.interlock.permit(), "the step says what it did", "step");
                        check(node, next, conditions, order, drive_absent, events);
                        if (permit && !node.interlock.permit() && !drive_absent)
                            demand(false, "no permit begins into drive", words(node, conditions, order));
                        // With drive present nothing that tripped may come back.
                        for (std::size_t s = 0; s < sources && !drive_absent; ++s) {
                            if (node.interlock.causes()[s].active && !next.interlock.causes()[s].active) {
                                demand(false, "no re-arm into drive", words(node, conditions, order));
                            }
                        }
                        for (std::size_t s = 0; s < sources; ++s) {
                            const Cause& c = node.interlock.causes()[s];
                            if (c.active && !next.interlock.causes()[s].active) {
                                const bool held_off =
                                    c.condition == Condition::clear && next.now - c.clear_since >= rules[s].hold_off;
                                demand(held_off && conditions[s] == Condition::clear,
                                       "re-arming waits for the hold-off and a clear look",
                                       words(node, conditions, order));
                            }
                        }
                        permits[a][b] = permit;
                        ++transitions;
                        add(std::move(next));
                    }
                }
                // clear, band, bad, unknown: worsening one source never turns inhibit into permit.
                for (int a = 0; a < 4; ++a) {
                    for (int b = 0; b < 4; ++b) {
                        const bool worse_permits = (a < 3 && permits[a + 1][b]) || (b < 3 && permits[a][b + 1]);
                        if (worse_permits && !permits[a][b]) {
                            demand(false, "worsening never turns inhibit into permit",
                                   "from " + std::string(text(node.interlock.state())));
                        }
                    }
                }
            }
        }
    }
    states = seen.size();
}

}  // namespace

int main() {
    std::uint64_t timer_states = 0, timer_transitions = 0, states = 0, transitions = 0;
    explore_timer(timer_states, timer_transitions);
    flap();
    explore_interlock(states, transitions);
    std::printf("limit: %llu states, %llu transitions; interlock: %llu states, %llu transitions; violations: %llu\n",
                static_cast<unsigned long long>(timer_states), static_cast<unsigned long long>(timer_transitions),
                static_cast<unsigned long long>(states), static_cast<unsigned long long>(transitions),
                static_cast<unsigned long long>(violations));
    return violations == 0 ? 0 : 3;
}
