// Which limits stand at a moment: decision, displays, MQTT and plans say the same.
#include <algorithm>
#include <nlohmann/json.hpp>

#include "core/limit.hpp"
#include "dekeyctl/explain/explain.hpp"
#include "dekeyctl/status.hpp"
#include "messages/exposure_json.hpp"
#include "messages/snapshot_json.hpp"
#include "station.hpp"
#include "telemetry/published/homie.hpp"

namespace {

using namespace agree;
using core::Standing;

constexpr std::string_view commissioning_section =
    "# commissioning: {time: 30 min, forward: 12 W, reflected: 2 W, heatsink: 50 degC}";

std::string with_commissioning(const std::string& text = annotated_text()) {
    return changed(text, commissioning_section, commissioning_section.substr(2));
}

/// The annotated amplifier with its two further outputs wired as far as a contactor, and commissioning allowed.
const formats::Configuration& guarded() {
    static const formats::Configuration configuration =
        loaded(changed(with_commissioning(), "# contactor: {", "contactor: {"));
    return configuration;
}

struct When {
    std::string_view name;
    bool commissioning = false, contactor_open = false, rf = true, hot = false;
};
constexpr std::array whens{When{.name = "in service"}, When{.name = "commissioning", .commissioning = true},
                           When{.name = "contactor open", .contactor_open = true, .rf = false},
                           When{.name = "no RF", .rf = false}, When{.name = "hot", .hot = true}};

/// What must be, written down by hand.
Standing expected(const std::string& limit, const When& when) {
    if (limit.starts_with("commissioning-"))
        return when.commissioning ? Standing::watches : Standing::not_commissioning;
    if (limit == "supply-high" || limit == "supply-low")
        return when.contactor_open ? Standing::unsupplied : Standing::watches;
    if (limit == "vswr" || limit == "compression") return when.rf ? Standing::watches : Standing::gate_closed;
    if (limit == "fan") return when.hot ? Standing::watches : Standing::gate_closed;
    return Standing::watches;
}

Station played(const When& when) {
    Station station{guarded()};
    station.values = {{"heatsink", 30.0}, {"ambient", 22.0}, {"forward", 0.001}, {"reflected", 0.0001},
                      {"drive", 0.0001},  {"supply", 28.0},  {"current", 1.6},   {"fan", 2400.0}};
    station.run(10s);
    REQUIRE(station.snapshot().permit);
    if (when.commissioning) station.step({{.kind = core::CommandKind::commission, .origin = core::Origin::local}});
    if (when.rf) {
        station.values["forward"] = when.commissioning ? 6.5 : 80.0;
        station.values["reflected"] = 0.1;
        station.values["drive"] = when.commissioning ? 0.1 : 1.2;
        station.values["current"] = 8.0;
    }
    for (double c = 30.0; when.hot && c < 46.0; c += 4.0) {
        station.values["heatsink"] = c + 4.0;
        station.run(1s);
    }
    station.line_lies = when.contactor_open;
    station.run(2s);
    return station;
}

const nlohmann::json& by_id(const nlohmann::json& list, const std::string& id) {
    for (const auto& one : list)
        if (one["id"] == id) return one;
    FAIL("no " << id);
    return list;
}

}  // namespace

TEST_CASE("each limit at each moment: guard, status, terminal and MQTT agree whether it stands") {
    const core::Plan& plan = guarded().plan;
    const homie::Device device{guarded()};
    for (const When& when : whens) {
        CAPTURE(when.name);
        Station station = played(when);
        const core::Snapshot& snapshot = station.snapshot();
        CHECK(snapshot.permit != when.contactor_open);
        const nlohmann::json status =
            formats::status_json(guarded(), snapshot, {.version = "0", .line = "line", .mqtt = {}});
        const ctl::Message told = ctl::read_message(nlohmann::json{{"status", status}}.dump());
        REQUIRE(told.status);
        const nlohmann::json summary = nlohmann::json(formats::to_json(device.summary(snapshot, {})));
        for (std::size_t i = 0; i < plan.limits.size(); ++i) {
            const core::LimitPlan& limit = plan.limits[i];
            CAPTURE(limit.id);
            const Standing must = expected(limit.id, when);
            CHECK(core::text(snapshot.standing[i]) == core::text(must));
            CHECK(by_id(status["limits"], limit.id)["standing"] == core::text(must));
            CHECK(by_id(status["limits"], limit.id)["rests"] == core::rests(must));
            // The terminal leaves out what only commissioning makes a limit, and calls the others at rest so.
            const auto shown = std::find_if(told.status->limits.begin(), told.status->limits.end(),
                                            [&](const ctl::Limit& one) { return one.id == limit.id; });
            const bool left_out = shown == told.status->limits.end();
            CHECK(left_out == (must == Standing::not_commissioning));
            if (!left_out) CHECK(shown->rests == core::rests(must));
            if (!left_out) CHECK(shown->standing == core::text(must));
            const auto published = [&](const char* node) {
                const auto* property = device.find("homie/5/hilltop-23cm/" + std::string{node} + "/" + limit.id);
                REQUIRE(property != nullptr);
                return device.value(*property, snapshot, {}).text;
            };
            CHECK((published("limits") == "resting") == core::rests(must));
            CHECK(published("levels").has_value() == (must != Standing::not_commissioning));
            CHECK(summary["resting"].contains(limit.id) == core::rests(must));
        }
    }
}

TEST_CASE("each limit on a sensor at each moment: it trips just where it is said to stand") {
    const core::Plan& plan = guarded().plan;
    for (const When& when : whens) {
        for (std::size_t i = 0; i < plan.limits.size(); ++i) {
            const core::LimitPlan& limit = plan.limits[i];
            if (limit.watch >= plan.channels.size()) continue;
            CAPTURE(when.name);
            CAPTURE(limit.id);
            Station station = played(when);
            const bool above = limit.direction == core::Direction::above;
            station.values[plan.channels[limit.watch].id] = limit.trip * (above ? 1.01 : 0.99);
            station.run(12s);
            CHECK(station.snapshot().causes[i].active == !core::rests(expected(limit.id, when)));
        }
    }
}

TEST_CASE("a resting commissioning: section changes nothing on paper: distances, plan, explain, advice") {
    const formats::Configuration without = loaded(annotated_text());
    const formats::Configuration with = loaded(with_commissioning());
    CHECK(ctl::explain(with) == ctl::explain(without));
    CHECK(ctl::explain_json(with) == ctl::explain_json(without));
    CHECK(ctl::plan_levels(with) == ctl::plan_levels(without));
    CHECK(ctl::plan_json(with) == ctl::plan_json(without));
    CHECK(formats::exposure_json(with)["power_w"] == 125.0);  // the forward trip
    CHECK(with.advice.size() == without.advice.size());
}

TEST_CASE("a limit that rests now and then doesn't cap the power that a distance is worked out for") {
    const auto power_w = [](const std::string& text) { return formats::exposure_json(loaded(text))["power_w"]; };
    const std::string cap =
        "limits:\n  cap: {watch: forward, above: 20 W, clear: rf off, qualify: 10 ms, hold_off: 1 s, rearm: latched";
    CHECK(power_w(changed(annotated_text(), "limits:\n", cap + "}\n")) == 20.0);
    CHECK(power_w(changed(annotated_text(), "limits:\n", cap + ", while: {quantity: heatsink, above: 45 degC}}\n")) ==
          125.0);
    CHECK(power_w(changed(annotated_text(), "limits:\n",
                          "limits:\n  cap: {watch: forward, above: 20 W, warn_only: yes}\n")) == 125.0);
}
