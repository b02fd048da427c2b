#include "telemetry/published/summaries.hpp"

#include <doctest/doctest.h>

#include <functional>
#include <nlohmann/json.hpp>
#include <string>
#include <vector>

#include "sample_plan.hpp"

using namespace dekeyd;
using namespace std::chrono_literals;

namespace {

struct Sent {
    std::string topic;
    nlohmann::json json;
    [[nodiscard]] bool pulse() const { return topic.ends_with("/pulse"); }
};

}  // namespace

TEST_CASE("what a summary says stays true until a word differs or a value leaves its dead band") {
    const core::Plan plan = test::sample_plan();
    const std::string heatsink{core::describe(plan, *plan.roles.heatsink).id};
    formats::LiveSummary said;
    said.wall = "2026-11-29T09:30:00Z";
    said.sequence = 7;
    said.permit = true;
    said.values[heatsink] = 40.0;
    said.span[heatsink] = {39.5, 40.5};
    said.quality["vswr"] = "not measurable";
    formats::LiveSummary later = said;
    later.wall = "2026-11-29T09:30:01Z";
    later.sequence = 57;
    CHECK(still_true(said, later, plan));
    // The dead band of a temperature is 0.2 K.
    later.values[heatsink] = 40.1875;
    CHECK(still_true(said, later, plan));
    later.values[heatsink] = 40.2001;
    CHECK_FALSE(still_true(said, later, plan));
    const std::vector<std::function<void(formats::LiveSummary&)>> changes{
        [](auto& s) { s.permit = false; },
        [](auto& s) { s.state = "tripped"; },
        [](auto& s) { s.reason = "Heatsink too hot."; },
        [](auto& s) { s.held = "locally"; },
        [](auto& s) { s.holds.emplace_back(); },
        [](auto& s) { s.synchronised = true; },
        [](auto& s) { s.monitor_only = true; },
        [](auto& s) { s.commissioning_left_s = 5; },
        [](auto& s) { s.proof.phase = "line"; },
        [](auto& s) { s.rf = true; },
        [](auto& s) { s.transmitting_s = 0; },
        [](auto& s) { s.settling_left_s = 5; },
        [&](auto& s) { s.values[heatsink] = std::nullopt; },
        [&](auto& s) { s.values.erase(heatsink); },
        [](auto& s) { s.values["vswr"] = 1.0; },
        [&](auto& s) { s.span[heatsink][0] = 39.2; },
        [&](auto& s) { s.span[heatsink][1] = std::nullopt; },
        [&](auto& s) { s.span[heatsink].pop_back(); },
        [&](auto& s) { s.span.erase(heatsink); },
        [](auto& s) { s.quality.clear(); },
        [](auto& s) { s.causes.emplace_back(); },
        [](auto& s) { s.resting["fan"] = "the heatsink is cool"; },
        [](auto& s) { s.events_waiting = 1; },
    };
    for (std::size_t i = 0; i < changes.size(); ++i) {
        CAPTURE(i);
        later = said;
        changes[i](later);
        CHECK_FALSE(still_true(said, later, plan));
        CHECK_FALSE(still_true(later, said, plan));
    }
}

TEST_CASE("a summary is whole at first, after a change and each 15 s; a pulse in between names it") {
    formats::Configuration configuration;
    configuration.id = "hilltop";
    configuration.plan = test::sample_plan();
    configuration.mqtt.emplace();
    const homie::Device device{configuration};
    std::vector<Sent> sent;
    bool room = true;
    Summaries summaries{configuration, device,
                        [&](const homie::Property& property, const std::string& payload, core::Instant) {
                            if (room) sent.push_back({property.topic, nlohmann::json::parse(payload)});
                            return room;
                        }};
    core::Snapshot snapshot = core::Protection::blank(configuration.plan);
    core::Instant now{1000s};
    const auto second = [&] {
        now += 1s;
        snapshot.sequence += 50;
        summaries.send(snapshot, {}, now);
        return sent.back();
    };
    room = false;
    summaries.send(snapshot, {}, now);
    CHECK_FALSE(summaries.sent());
    room = true;
    const Sent first = second();
    CHECK_FALSE(first.pulse());
    CHECK(summaries.sent());
    for (int i = 1; i < 15; ++i) {
        const Sent one = second();
        CHECK(one.pulse());
        CHECK(one.json["summary"] == first.json["sequence"]);
        CHECK(one.json["sequence"] == snapshot.sequence);
    }
    CHECK_FALSE(second().pulse());
    CHECK(second().pulse());
    snapshot.permit = !snapshot.permit;
    CHECK(second().json["permit"] == snapshot.permit);
    CHECK(second().pulse());
    // Not more than one in a second; and the next session begins with a whole one.
    const std::size_t before = sent.size();
    summaries.send(snapshot, {}, now + 999ms);
    CHECK(sent.size() == before);
    summaries.begin_session();
    CHECK_FALSE(summaries.sent());
    CHECK_FALSE(second().pulse());
}
