// The interlock against a small reference model written from its description, not from its code: it keeps the whole
// history of each source and looks back over it.
#include <doctest/doctest.h>

#include <array>
#include <optional>
#include <random>
#include <vector>

#include "core/interlock.hpp"

using namespace dekeyd::core;

namespace {

constexpr std::size_t sources = 3;

struct Seen {
    std::int64_t at;
    Condition condition;
};

struct Model {
    std::array<std::int64_t, sources> hold_off{};
    std::array<bool, sources> latches{}, counted{};
    std::int64_t settling = 0, window = 0;
    unsigned trips = 0;

    std::array<std::vector<Seen>, sources> history;
    std::array<bool, sources> inhibits{}, latched{};
    std::vector<std::int64_t> losses;  ///< times at which the permit was lost and counted
    bool starting = true, permit = false, local = false, remote = false, locked = false;
    std::optional<std::int64_t> all_clear_since;

    [[nodiscard]] Condition latest(std::size_t s) const {
        return history[s].empty() ? Condition::unknown : history[s].back().condition;
    }
    [[nodiscard]] bool clear_for_hold_off(std::size_t s, std::int64_t now) const {
        std::int64_t since = now + 1;
        for (auto look = history[s].rbegin(); look != history[s].rend() && look->condition == Condition::clear; ++look)
            since = look->at;
        return since <= now && now - since >= hold_off[s];
    }
    [[nodiscard]] bool nothing_stands() const {
        return !starting && !local && !remote && !locked && !inhibits[0] && !inhibits[1] && !inhibits[2];
    }
    // A leaky bucket: each loss adds a window, time empties it, and it never holds more than `trips` windows.
    [[nodiscard]] std::int64_t level(std::int64_t now) const {
        std::int64_t full = 0, last = 0;
        for (std::int64_t loss : losses) {
            full = std::min(std::max<std::int64_t>(full - (loss - last), 0) + window,
                            window * static_cast<std::int64_t>(trips));
            last = loss;
        }
        return std::max<std::int64_t>(full - (now - last), 0);
    }

    void step(std::int64_t now, const std::array<Condition, sources>& conditions, bool drive_absent,
              const std::vector<Command>& commands) {
        bool first = true;
        for (std::size_t s = 0; s < sources; ++s) {
            const Condition c = conditions[s];
            if (c == Condition::missed) continue;
            history[s].push_back({now, c});
            if (c == Condition::bad || (c == Condition::unknown && !starting)) {
                if (!inhibits[s] && permit && first) {
                    first = false;
                    if (counted[s]) {
                        losses.push_back(now);
                        locked = locked || level(now) > window * static_cast<std::int64_t>(trips - 1);
                    }
                }
                inhibits[s] = true;
                if (c == Condition::bad && latches[s]) latched[s] = true;
            } else if (c == Condition::clear && inhibits[s] && !latched[s] && drive_absent &&
                       clear_for_hold_off(s, now)) {
                inhibits[s] = false;
            }
        }
        bool all_clear = true;
        for (std::size_t s = 0; s < sources; ++s) all_clear = all_clear && latest(s) == Condition::clear;
        if (!all_clear)
            all_clear_since.reset();
        else if (!all_clear_since)
            all_clear_since = now;
        if (starting && all_clear_since && now - *all_clear_since >= settling) starting = false;
        const bool before_commands = nothing_stands();
        for (const Command& command : commands) obey(now, command);
        permit = before_commands && nothing_stands() && (permit || (commands.empty() && drive_absent));
    }

    void obey(std::int64_t now, const Command& command) {
        const bool is_local = command.origin == Origin::local;
        if (command.kind == CommandKind::hold) (is_local ? local : remote) = true;
        if (command.kind == CommandKind::release && (is_local || !local)) local = remote = false;
        if (command.kind != CommandKind::reset) return;
        for (std::size_t s = 0; s < sources; ++s)
            if (inhibits[s] && !clear_for_hold_off(s, now)) return;
        if (!locked && !latched[0] && !latched[1] && !latched[2]) return;
        latched.fill(false);
        locked = false;
        losses.clear();
    }
};

struct Dice {
    std::mt19937_64 random;
    std::int64_t upto(std::int64_t most) { return std::uniform_int_distribution<std::int64_t>{0, most}(random); }
    bool one_in(std::int64_t n) { return upto(n - 1) == 0; }
};

struct Trace {
    std::vector<bool> permits;
    std::vector<State> states;
    bool operator==(const Trace&) const = default;
};

// One random life of an interlock, every duration multiplied by `scale`; compared with the model where asked.
Trace live(std::uint64_t seed, std::int64_t scale, bool compare, int steps) {
    Dice dice{std::mt19937_64{seed}};
    Model model;
    std::vector<SourceRule> rules;
    for (std::size_t s = 0; s < sources; ++s) {
        model.hold_off[s] = dice.upto(20) * scale;
        model.latches[s] = dice.one_in(3);
        model.counted[s] = !dice.one_in(4);
        rules.push_back({Duration{model.hold_off[s]}, model.latches[s], model.counted[s]});
    }
    model.settling = dice.upto(20) * scale;
    model.window = (1 + dice.upto(60)) * scale;
    model.trips = static_cast<unsigned>(1 + dice.upto(3));
    InterlockPlan plan;
    plan.settling = Duration{model.settling};
    plan.lockout_trips = model.trips;
    plan.lockout_window = Duration{model.window};
    Interlock interlock{plan, rules, {}, false};
    EventList events{64};
    Trace trace;
    std::int64_t now = 1000 * scale;
    for (int i = 0; i < steps; ++i) {
        now += dice.upto(9) * scale;
        std::array<Condition, sources> conditions{};
        for (Condition& c : conditions) {
            const std::int64_t draw = dice.upto(29);
            c = draw < 5 ? static_cast<Condition>(draw) : Condition::clear;
        }
        const bool drive_absent = !dice.one_in(4);
        std::vector<Command> commands;
        while (dice.one_in(10)) {
            commands.push_back({static_cast<CommandKind>(dice.upto(2)), dice.one_in(2) ? Origin::local : Origin::remote,
                                static_cast<std::uint32_t>(i)});
        }
        events.clear();
        const bool permit = interlock.step(Instant{Duration{now}}, conditions, drive_absent, commands, events);
        trace.permits.push_back(permit);
        trace.states.push_back(interlock.state());
        if (!compare) continue;
        model.step(now, conditions, drive_absent, commands);
        CAPTURE(seed);
        CAPTURE(i);
        REQUIRE(permit == model.permit);
        REQUIRE(interlock.memory().locked_out == model.locked);
        REQUIRE(interlock.starting() == model.starting);
        for (std::size_t s = 0; s < sources; ++s) {
            REQUIRE(interlock.causes()[s].active == model.inhibits[s]);
            REQUIRE(interlock.causes()[s].latched == model.latched[s]);
        }
    }
    return trace;
}

}  // namespace

TEST_CASE("random lives: the interlock agrees with its reference model") {
    std::size_t permitted = 0, steps = 0;
    for (std::uint64_t seed = 1; seed <= 2000; ++seed) {
        const Trace trace = live(seed, 1, true, 200);
        for (bool p : trace.permits) permitted += p ? 1 : 0;
        steps += trace.permits.size();
    }
    CHECK(permitted > steps / 50);  // the lives reach permit often enough to mean something
    CHECK(permitted < steps * 9 / 10);
}

TEST_CASE("scaling every duration keeps the trace") {
    for (std::uint64_t seed = 1; seed <= 300; ++seed) {
        const Trace one = live(seed, 1, false, 200);
        CHECK(one == live(seed, 977, false, 200));
        CHECK(one == live(seed, 1'000'000'007, false, 200));
    }
}
