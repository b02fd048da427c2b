// All limits in a step: which are judged, what their news is, what they warn of, and what a new rule makes of the old.
#include "core/limits.hpp"

#include <doctest/doctest.h>

#include <array>
#include <chrono>
#include <cmath>
#include <random>

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
    /// `volts`: forward's, read before and after reflected; a watt a volt.
    void step(Duration at, double celsius, double volts = 0.001) {
        const auto of = [&](double value) {
            return Sample{.value = value, .begun = Instant{at}, .fault = Fault::none};
        };
        events.clear();
        limits.begin_step();
        limits.see_what_is_in_force(look(at));
        const std::array samples{of(celsius), of(volts), of(0.001), of(volts)};
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

// A plain limit that is safe takes a short way. Its twin has a warning that nothing reaches, and so takes the long one.
TEST_CASE("limits: the short way says what the long way says, at every reading, age and time") {
    std::mt19937 random{7};
    const auto draw = [&](int below) { return static_cast<int>(random() % static_cast<unsigned>(below)); };
    for (int round = 0; round < 300; ++round) {
        CAPTURE(round);
        Plan plan = dekeyd::test::sample_plan();
        LimitPlan limit = plan.limits[0];
        const bool above = draw(2) == 0;
        const bool of_power = draw(2) == 0;
        if (of_power) {  // trips at its floor of 10 nW, or beyond its ceiling of 1 kW
            limit.watch = 1;
            limit.trip = std::array{1e-8, 70.0, 1200.0}[static_cast<std::size_t>(draw(3))];
        }
        limit.direction = above ? Direction::above : Direction::below;
        limit.clear = draw(4) == 0 ? limit.trip : limit.trip + (above ? -15.0 : 15.0);
        limit.edge = std::array{Edge::reading, Edge::low, Edge::high}[static_cast<std::size_t>(draw(3))];
        limit.qualify = std::array<Duration, 3>{0s, 1s, 2500ms}[static_cast<std::size_t>(draw(3))];
        limit.trips = draw(8) != 0;
        limit.warn.reset();
        LimitPlan twin = limit;
        twin.warn = above ? 1e9 : -1e9;
        plan.limits = {limit, twin};
        Watched w{plan};
        Duration at = 1s;
        for (int step = 0; step < 60; ++step) {
            CAPTURE(step);
            at += std::chrono::milliseconds{draw(4) == 0 ? draw(8000) : draw(900)};
            const double near =
                limit.trip + std::array{-20.0, -15.0, -1.0, 0.0, 1.0, 15.0, 20.0}[static_cast<std::size_t>(draw(7))];
            if (draw(3) == 0)
                w.wait(at);
            else if (of_power)
                w.step(
                    at, 30.0,
                    std::array{1e-9, 1e-8, 3e-8, near, 999.0, 1500.0, std::nan("")}[static_cast<std::size_t>(draw(7))]);
            else
                w.step(at, draw(12) == 0 ? std::nan("") : near);
            REQUIRE(w.limits.conditions()[0] == w.limits.conditions()[1]);
            REQUIRE(w.limits.due(0) == w.limits.due(1));
        }
    }
}
