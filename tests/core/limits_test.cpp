// All limits in a step: which are judged, what their news is, what they warn of, and what a new rule makes of the old.
#include "core/limits.hpp"

#include <doctest/doctest.h>

#include <array>
#include <chrono>
#include <random>
#include <string>
#include <utility>
#include <vector>

#include "sample_plan.hpp"

using namespace dekeyd::core;
using namespace std::chrono_literals;

namespace {

// sample_plan: limit 0 watches the heatsink (warns at 65, trips at 70, clear at 55), limit 1 the VSWR.
struct Watched {
    explicit Watched(Plan of = dekeyd::test::sample_plan()) : plan{std::move(of)} {}
    Plan plan;
    Measurement measurement{plan};
    Proof proof{plan};
    Limits limits{plan};
    EventList events{16};
    bool commissioning = false, supplied = true;

    Limits::Look look(Duration at) const {
        return {.now = Instant{at},
                .measurement = measurement,
                .proof = proof,
                .commissioning = commissioning,
                .supplied = supplied};
    }
    void step(Duration at, double celsius) {
        const auto of = [&](double value) {
            return Sample{.value = value, .begun = Instant{at}, .fault = Fault::none};
        };
        events.clear();
        limits.begin_step();
        limits.see_what_is_in_force(look(at));
        const std::array samples{of(celsius), of(0.001), of(0.001), of(0.001)};
        measurement.absorb({.sampler = 0, .samples = samples}, Instant{at}, false);
        limits.judge_news(look(at), events);
        measurement.no_news();
        limits.judge_others(look(at), events);
    }
    /// Nothing comes; time passes.
    void wait(Duration at) {
        events.clear();
        limits.begin_step();
        measurement.grow_old(Instant{at});
        limits.judge_others(look(at), events);
    }
};

}  // namespace

TEST_CASE("limits: never seen is unknown, seen below is clear, at the level is bad") {
    Watched w;
    w.wait(1s);
    CHECK(w.limits.conditions()[0] == Condition::unknown);
    w.step(2s, 30.0);
    CHECK(w.limits.conditions()[0] == Condition::clear);
    w.step(3s, 69.999);
    CHECK(w.limits.conditions()[0] != Condition::bad);
    w.step(4s, 70.0);
    CHECK(w.limits.conditions()[0] == Condition::bad);
}

TEST_CASE("limits: without news what was seen proves nothing more, until it is too old") {
    Watched w;
    w.step(1s, 30.0);
    w.wait(2s);
    CHECK(w.limits.conditions()[0] == Condition::missed);
    w.wait(6s);  // allowed age 5 s
    CHECK(w.limits.conditions()[0] == Condition::missed);
    w.wait(6s + 1ns);
    CHECK(w.limits.conditions()[0] == Condition::unknown);
}

TEST_CASE("limits: a warning begins at its level and ends a quarter of the way below it") {
    Watched w;
    w.step(1s, 64.9);
    CHECK(w.limits.warnings()[0] == 0);
    w.step(2s, 65.0);
    REQUIRE(w.events.all().size() == 1);
    CHECK(w.events.all()[0].kind == EventKind::warning);
    CHECK(w.events.all()[0].source == 0);
    w.step(3s, 63.75);  // 65 - (70 - 65) / 4
    CHECK(w.limits.warnings()[0] == 1);
    CHECK(w.events.all().empty());
    w.step(4s, 63.74);
    REQUIRE(w.events.all().size() == 1);
    CHECK(w.events.all()[0].kind == EventKind::warning_over);
    CHECK(w.limits.warnings()[0] == 0);
    w.step(5s, 66.0);
    CHECK(w.limits.warnings()[0] == 1);
    w.step(6s, 30.0);  // in one leap to where nothing else is to be said
    CHECK(w.limits.warnings()[0] == 0);
    REQUIRE(w.events.all().size() == 1);
    CHECK(w.events.all()[0].kind == EventKind::warning_over);
}

TEST_CASE("limits: one that only warns is never against a permit") {
    Plan plan = dekeyd::test::sample_plan();
    plan.limits[0].trips = false;
    Watched w{plan};
    w.step(1s, 90.0);
    CHECK(w.limits.conditions()[0] == Condition::clear);
    CHECK(w.limits.warnings()[0] == 1);
}

TEST_CASE("limits: one that comes into force counts as never evaluated until its next look") {
    Plan plan = dekeyd::test::sample_plan();
    bool commissioning = false;
    SUBCASE("with a commissioning") {
        commissioning = plan.limits[0].provisional = true;
    }
    SUBCASE("with the supply") {
        plan.limits[0].while_supplied = true;
    }
    Watched w{plan};
    w.supplied = commissioning;
    w.step(1s, 30.0);
    w.commissioning = commissioning;
    w.supplied = true;
    CHECK(w.limits.conditions()[0] == Condition::clear);
    w.limits.see_what_is_in_force(w.look(2s));
    w.wait(2s);
    CHECK(w.limits.conditions()[0] == Condition::unknown);
    w.step(3s, 30.0);
    CHECK(w.limits.conditions()[0] == Condition::clear);
    w.limits.see_what_is_in_force(w.look(4s));  // it is in force already
    w.wait(4s);
    CHECK(w.limits.conditions()[0] == Condition::missed);
}

TEST_CASE("limits: the first that turns bad by time alone is waited for") {
    Watched w;
    w.plan.limits[0].qualify = 3s;
    Limits slow{w.plan};
    w.limits.begin_step();
    slow.begin_step();
    CHECK(slow.due() == Instant::max());
    const std::array samples{Sample{.value = 80.0, .begun = Instant{1s}, .fault = Fault::none}};
    w.measurement.absorb({.sampler = 0, .samples = samples}, Instant{1s}, false);
    slow.judge_news(w.look(1s), w.events);
    CHECK(slow.due(0) == Instant{4s});
    CHECK(slow.due() == Instant{4s});
    CHECK(slow.due(1) == Instant::max());
}

TEST_CASE("limits: the worse of two pieces of news; a missing one says nothing") {
    CHECK(worse(Condition::missed, Condition::clear) == Condition::clear);
    CHECK(worse(Condition::clear, Condition::missed) == Condition::clear);
    CHECK(worse(Condition::bad, Condition::unknown) == Condition::unknown);
    CHECK(worse(Condition::unknown, Condition::bad) == Condition::unknown);
    CHECK(worse(Condition::clear, Condition::bad) == Condition::bad);
}

// Each limit as one by one, without a short way: what Limits says must be that, at every step.
namespace {

struct Reference {
    explicit Reference(const LimitPlan& plan) : limit{plan}, timer{plan.qualify} {}
    void see_what_is_in_force(const Limits::Look& look) {
        const bool out = (limit.provisional && !look.commissioning) || (limit.while_supplied && !look.supplied);
        if (out_of_force && !out) timer.forget();
        out_of_force = out;
    }
    void judge(const Limits::Look& look) {
        const Measurement& m = look.measurement;
        const Reading& watched = m.quantities()[limit.watch];
        const bool gate_unknown = limit.gate && m.quantities()[limit.gate->quantity].health == Health::unknown;
        const bool news = m.has_news(limit.watch) || (limit.gate && m.has_news(limit.gate->quantity));
        Verdict verdict = verdict_of(limit, standing(limit, look.moment()), watched, m.rf_absent());
        const bool lost = verdict == Verdict::unknown && watched.health != Health::not_measurable;
        const bool rests = verdict == Verdict::rest && news;
        if (!m.has_news(limit.watch) && !lost && !gate_unknown && !rests) verdict = Verdict::missed;
        const Condition now = timer.update(look.now, verdict);
        condition = worse(condition, limit.trips ? now : Condition::clear);
        judged = true;
    }
    LimitPlan limit;
    QualifyTimer timer;
    Condition condition = Condition::missed;
    bool out_of_force = false, judged = false;
};

struct Draw {
    std::mt19937 random;
    int below(int n) { return static_cast<int>(random() % static_cast<unsigned>(n)); }
    bool one_in(int n) { return below(n) == 0; }
    template <class T, std::size_t n>
    T of(const std::array<T, n>& values) {
        return values[static_cast<std::size_t>(below(static_cast<int>(n)))];
    }
};

// Channels: 0 heatsink, 1 forward (floor 10 nW, ceiling 1 kW), 2 reflected.
LimitPlan any_limit(const Plan& plan, Draw& draw, std::size_t number) {
    const std::array<QuantityIndex, 4> watched{0, 1, 2, plan.index(Derived::vswr)};
    LimitPlan limit;
    limit.id = "limit-" + std::to_string(number);
    limit.watch = draw.of(watched);
    limit.direction = draw.one_in(2) ? Direction::above : Direction::below;
    limit.trip = limit.watch > 2 ? 2.0 : draw.of(std::array{1e-8, 60.0, 70.0, 1200.0});
    const double away = limit.trip / 4.0;
    limit.clear = limit.trip + draw.of(std::array{-away, 0.0, away});  // a level on the wrong side, too
    limit.clear_by = draw.one_in(3) ? ClearBy::rf_off : ClearBy::level;
    limit.edge = draw.of(std::array{Edge::reading, Edge::low, Edge::high});
    limit.qualify = draw.of(std::array<Duration, 3>{0s, 1s, 2500ms});
    limit.trips = !draw.one_in(8);
    limit.provisional = draw.one_in(6);
    limit.while_supplied = draw.one_in(6);
    if (draw.one_in(4)) limit.warn = limit.trip * 0.9;
    if (draw.one_in(3)) {
        limit.gate = Gate{.quantity = draw.of(watched), .level = draw.of(std::array{1e-8, 1.5, 30.0, 65.0, 1000.0})};
        limit.gate->open = draw.one_in(2) ? Direction::above : Direction::below;
    }
    return limit;
}

}  // namespace

TEST_CASE("limits: all together say what each by itself says, at every reading, age and time") {
    Draw draw{std::mt19937{7}};
    for (int round = 0; round < 400; ++round) {
        CAPTURE(round);
        Plan plan = dekeyd::test::sample_plan();
        plan.limits.clear();
        for (std::size_t i = 0; i < 6; ++i) plan.limits.push_back(any_limit(plan, draw, i));
        Watched w{plan};
        std::vector<Reference> references(w.plan.limits.begin(), w.plan.limits.end());
        Duration at = 1s;
        const auto judge = [&](bool all) {
            for (Reference& r : references) {
                const bool gate_news = r.limit.gate && w.measurement.has_news(r.limit.gate->quantity);
                if (all ? !r.judged : w.measurement.has_news(r.limit.watch) || gate_news) r.judge(w.look(at));
            }
        };
        for (int step = 0; step < 60; ++step) {
            CAPTURE(step);
            at += std::chrono::milliseconds{draw.one_in(6) ? draw.below(9000) : draw.below(900)};
            if (draw.one_in(8)) w.commissioning = !w.commissioning;
            if (draw.one_in(8)) w.supplied = !w.supplied;
            w.limits.begin_step();
            w.limits.see_what_is_in_force(w.look(at));
            for (Reference& r : references) {
                r.condition = Condition::missed;
                r.judged = false;
                r.see_what_is_in_force(w.look(at));
            }
            for (int scan = draw.below(3); scan > 0; --scan) {
                const double forward = draw.of(std::array{1e-9, 1e-8, 3e-8, 60.0, 70.0, 1000.0, 1500.0});
                std::array<Sample, 4> samples{};
                const std::array values{draw.of(std::array{45.0, 52.5, 59.9, 60.0, 70.0, 80.0}), forward,
                                        forward * draw.of(std::array{0.01, 0.2}), forward};
                for (std::size_t i = 0; i < samples.size(); ++i) {
                    const Fault fault = draw.one_in(8)   ? Fault::absent
                                        : draw.one_in(4) ? Fault::not_in_scan
                                                         : Fault::none;
                    samples[i] = {.value = values[i], .begun = Instant{at}, .fault = fault};
                }
                w.measurement.absorb({.sampler = 0, .samples = samples}, Instant{at}, false);
                judge(false);
                w.limits.judge_news(w.look(at), w.events);
                w.measurement.no_news();
            }
            w.measurement.grow_old(Instant{at});
            judge(true);
            w.limits.judge_others(w.look(at), w.events);
            w.events.clear();
            const auto standings = w.limits.standing_at(w.look(at).moment());
            for (std::size_t i = 0; i < references.size(); ++i) {
                CAPTURE(i);
                REQUIRE(w.limits.conditions()[i] == references[i].condition);
                REQUIRE(w.limits.due(i) == references[i].timer.due());
                REQUIRE(standings[i] == standing(w.plan.limits[i], w.look(at).moment()));
            }
        }
    }
}
