#include "telemetry/published/homie.hpp"

#include <doctest/doctest.h>

#include <limits>
#include <nlohmann/json.hpp>
#include <set>

#include "mqtt/payloads.hpp"
#include "sample_plan.hpp"

using namespace dekeyd;
using core::CommandKind;
using homie::Incoming;
using homie::Refusal;

namespace {

formats::Configuration sample(bool release = false, bool reset = false) {
    formats::Configuration made;
    made.id = "hilltop";
    made.name = "Hill-top repeater amplifier";
    made.plan = test::sample_plan();
    made.mqtt = formats::MqttConfig{};
    made.mqtt->remote_release = release;
    made.mqtt->remote_reset = reset;
    return made;
}

core::Snapshot quiet(const core::Plan& plan) {
    core::Snapshot made = core::Protection::blank(plan);
    for (core::Cause& cause : made.causes) cause.condition = core::Condition::clear;
    made.quantities[0] = test::good(31.54);
    return made;
}

std::string shown(const homie::Device& device, const std::string& topic, const core::Snapshot& snapshot,
                  const homie::Context& around = {}) {
    const homie::Property* property = device.find("homie/5/hilltop/" + topic);
    REQUIRE(property != nullptr);
    return device.value(*property, snapshot, around).text.value_or("(none)");
}

homie::Context surroundings(const std::string& reason) {
    homie::Context made;
    made.reason = reason;
    return made;
}

Incoming message(const std::string& topic, const std::string& payload) {
    return {.topic = "homie/5/hilltop/permit/" + topic + "/set", .payload = payload, .size = payload.size()};
}

/// "hold", or the refusal in words.
std::string judged(const Incoming& incoming, bool late = false, bool release = false, bool reset = false) {
    const formats::Configuration configuration = sample(release, reset);
    const homie::Device device{configuration};
    const auto result = homie::check_command(device, *configuration.mqtt, incoming, late);
    if (const auto* asked = std::get_if<homie::Asked>(&result))
        return std::string{core::text(asked->kind)} + (asked->reason.empty() ? "" : ": " + asked->reason);
    return std::string{homie::text(std::get<Refusal>(result))};
}

}  // namespace

TEST_CASE("the description is whole, and says what may be set") {
    const formats::Configuration configuration = sample(true, false);
    const homie::Device device{configuration};
    const auto json = nlohmann::json::parse(device.description(17));
    CHECK(json["homie"] == "5.0");
    CHECK(json["version"] == 17);
    CHECK(json["name"] == "Hill-top repeater amplifier");
    const auto& permit = json["nodes"]["permit"]["properties"];
    CHECK(permit["hold"]["settable"] == true);
    CHECK(permit["hold"]["retained"] == false);
    CHECK(permit["hold"]["datatype"] == "string");  // the reason
    CHECK_FALSE(permit["hold"].contains("format"));
    CHECK(permit["release"]["format"] == "release");
    CHECK(permit.contains("release"));
    CHECK_FALSE(permit.contains("reset"));
    CHECK_FALSE(permit["state"].contains("settable"));
    const auto& heatsink = json["nodes"]["measurements"]["properties"]["heatsink"];
    CHECK(heatsink["unit"] == "°C");
    CHECK(heatsink["datatype"] == "float");
    CHECK(json["nodes"]["measurements"]["properties"].contains("vswr"));
    CHECK_FALSE(json["nodes"]["measurements"]["properties"].contains("gain"));  // no drive is measured
}

TEST_CASE("topics are unique and made of the characters that the convention allows") {
    const formats::Configuration configuration = sample(true, true);
    const homie::Device device{configuration};
    std::set<std::string> topics;
    for (const homie::Property& property : device.properties()) {
        CHECK(topics.insert(property.topic).second);
        CHECK(property.topic.find_first_not_of("abcdefghijklmnopqrstuvwxyz0123456789-/") == std::string::npos);
        CHECK(device.find(property.topic) == &property);
        CHECK_FALSE(property.name.empty());
    }
    CHECK(device.find("homie/5/hilltop/permit/nothing") == nullptr);
    CHECK(device.event_topic() == "dekeyd/hilltop/event");
}

TEST_CASE("every value of every state of things fits its own description") {
    const formats::Configuration configuration = sample(true, true);
    const homie::Device device{configuration};
    const core::Plan& plan = configuration.plan;
    const double infinity = std::numeric_limits<double>::infinity();
    for (int health = 0; health <= static_cast<int>(core::Health::above_range); ++health) {
        for (int fault = 0; fault <= static_cast<int>(core::Fault::implausible); ++fault) {
            for (const double value : {0.0, 1.0, 2.41, 1.0e9, 1.0e-9, infinity, std::nan("")}) {
                core::Snapshot snapshot = quiet(plan);
                for (core::Reading& reading : snapshot.quantities) {
                    reading = {.value = value,
                               .low = value,
                               .high = value,
                               .health = static_cast<core::Health>(health),
                               .fault = static_cast<core::Fault>(fault)};
                }
                for (const core::QuantityIndex ratio : {plan.index(core::Derived::vswr)}) {
                    if (value < 1.0) snapshot.quantities[ratio].value = 1.0;  // core's own floor
                }
                for (const homie::Property& property : device.properties()) {
                    const homie::Value shown_value = device.value(property, snapshot, {});
                    if (!shown_value.text) continue;
                    CAPTURE(property.topic);
                    CAPTURE(*shown_value.text);
                    CHECK(test::fits(std::string{homie::text(property.datatype)}, property.format, *shown_value.text));
                }
                const auto summary = nlohmann::json(formats::to_json(device.summary(snapshot, {})));
                CHECK(summary["values"].is_object());
            }
        }
    }
}

TEST_CASE("what isn't measured has no value, and its quality says why") {
    const formats::Configuration configuration = sample();
    const homie::Device device{configuration};
    core::Snapshot snapshot = quiet(configuration.plan);
    CHECK(shown(device, "measurements/heatsink", snapshot) == "31.5");
    CHECK(shown(device, "quality/heatsink", snapshot) == "good");
    snapshot.quantities[0] = {.fault = core::Fault::bad_crc};
    CHECK(shown(device, "measurements/heatsink", snapshot) == "(none)");
    CHECK(shown(device, "quality/heatsink", snapshot) == "bad CRC");
    snapshot.quantities[1] = {.value = 0.02, .health = core::Health::at_floor, .fault = core::Fault::none};
    CHECK(shown(device, "measurements/forward", snapshot) == "0.0200");
    CHECK(shown(device, "quality/forward", snapshot) == "at the floor");
}

TEST_CASE("a time that never comes is no number") {
    const formats::Configuration configuration = sample();
    const homie::Device device{configuration};
    core::Snapshot snapshot = quiet(configuration.plan);
    snapshot.quantities[0] = test::good(core::unbounded);
    CHECK(shown(device, "measurements/heatsink", snapshot) == "(none)");
    CHECK(shown(device, "quality/heatsink", snapshot) == "above range");
}

TEST_CASE("states, holds and limits in the operator's words") {
    const formats::Configuration configuration = sample();
    const homie::Device device{configuration};
    core::Snapshot snapshot = quiet(configuration.plan);
    snapshot.state = core::State::locked_out;
    CHECK(shown(device, "permit/state", snapshot) == "locked out");
    CHECK(shown(device, "permit/permit", snapshot) == "false");
    CHECK(shown(device, "permit/held", snapshot) == "none");
    snapshot.memory.held_remotely = true;
    CHECK(shown(device, "permit/held", snapshot) == "remote");
    snapshot.memory.held_locally = true;
    CHECK(shown(device, "permit/held", snapshot) == "both");
    CHECK(shown(device, "permit/reason", snapshot, surroundings("It is so.")) == "It is so.");
    CHECK(shown(device, "permit/reason", snapshot) == std::string(1, '\0'));  // the convention's empty string

    CHECK(shown(device, "permit/advice", snapshot) == std::string(1, '\0'));
    snapshot.quantities[configuration.plan.index(core::Derived::back_off)] = test::good(3.0);
    CHECK(shown(device, "permit/advice", snapshot) == std::string(1, '\0'));  // nobody transmits
    snapshot.state = core::State::permitted;
    snapshot.quantities[configuration.plan.roles.forward.value()] = test::good(6.0);
    // No limit of the sample's speaks of forward power: there is nothing to advise.
    CHECK(shown(device, "permit/advice", snapshot).starts_with("Not judged: forward power, of which no limit warns"));
    snapshot.state = core::State::locked_out;

    core::Cause& cause = snapshot.causes[test::heatsink_limit];
    CHECK(shown(device, "limits/heatsink", snapshot) == "inside");
    snapshot.warnings[0] = 1;
    CHECK(shown(device, "limits/heatsink", snapshot) == "warning");
    cause = {.condition = core::Condition::bad, .active = true};
    CHECK(shown(device, "limits/heatsink", snapshot) == "tripped");
    cause.condition = core::Condition::clear;
    CHECK(shown(device, "limits/heatsink", snapshot) == "waiting");
    cause.latched = true;
    CHECK(shown(device, "limits/heatsink", snapshot) == "latched");
    cause = {.condition = core::Condition::unknown};
    snapshot.warnings[0] = 0;
    CHECK(shown(device, "limits/heatsink", snapshot) == "unknown");
    CHECK(shown(device, "levels/heatsink", snapshot) == "70");
}

TEST_CASE("alerts stand for causes, for warnings that aren't causes, and for what keeps it latched") {
    const formats::Configuration configuration = sample();
    const homie::Device device{configuration};
    core::Snapshot snapshot = quiet(configuration.plan);
    CHECK(device.alerts(snapshot).empty());
    snapshot.warnings[0] = 1;
    snapshot.quantities[0] = test::good(66.0);
    REQUIRE(device.alerts(snapshot).count("warning-heatsink") == 1);
    CHECK(device.alerts(snapshot)["warning-heatsink"].sentence ==
          "Warning: Heatsink 66.0 °C at or above 65.0 °C; it trips at 70.0 °C.");
    snapshot.causes[test::heatsink_limit] = {.condition = core::Condition::bad, .active = true, .latched = true};
    snapshot.causes[test::heatsink_sensor] = {.condition = core::Condition::unknown, .active = true};
    snapshot.memory.first_start = true;
    snapshot.channels[1].frozen = true;
    const auto alerts = device.alerts(snapshot);
    CHECK(alerts.count("warning-heatsink") == 0);
    CHECK(alerts.at("limit-heatsink").latched);
    CHECK_FALSE(alerts.at("sensor-heatsink").latched);
    CHECK(alerts.count("first-start") == 1);
    CHECK(alerts.count("frozen-forward") == 1);
    CHECK(alerts.size() == 4);
    CHECK(homie::alert_id(configuration.plan, core::source_of(configuration.plan, core::Builtin::overrun)) ==
          "guard-overrun");
}

TEST_CASE("the summary is one finite object") {
    const formats::Configuration configuration = sample();
    const homie::Device device{configuration};
    core::Snapshot snapshot = quiet(configuration.plan);
    snapshot.sequence = 42;
    snapshot.causes[test::vswr_limit].active = true;
    homie::Context around = surroundings("Why.");
    around.stamp = {std::chrono::seconds{951782400}, false};
    around.events_waiting = 3;
    const auto json = nlohmann::json(formats::to_json(device.summary(snapshot, around)));
    CHECK(json["wall"] == "2000-02-29T00:00:00.000Z");
    CHECK(json["synchronised"] == false);
    CHECK(json["sequence"] == 42);
    CHECK(json["reason"] == "Why.");
    CHECK(json["values"]["heatsink"] == 31.54);
    CHECK(json["values"]["vswr"].is_null());
    CHECK(json["quality"]["vswr"] == "never read");
    CHECK_FALSE(json["quality"].contains("heatsink"));
    REQUIRE(json["causes"].size() == 1);
    CHECK(json["causes"][0]["id"] == "limit-vswr");
    CHECK(json["causes"][0].contains("hold_off_left_s"));
    CHECK(json["span"]["heatsink"] == nlohmann::json::array({31.54, 31.54}));
    CHECK_FALSE(json["span"].contains("vswr"));
    CHECK(json["held"] == "none");
    CHECK(json["monitor_only"] == false);
    CHECK(json["transmitting_s"].is_null());
    CHECK(json["settling_left_s"] == 5);  // something is bad: the whole time again
    CHECK(json["events_waiting"] == 3);
}

TEST_CASE("the summary tells how long still: settling, transmitting") {
    const formats::Configuration configuration = sample();
    const homie::Device device{configuration};
    core::Snapshot snapshot = quiet(configuration.plan);
    snapshot.now = core::Instant{std::chrono::seconds{100}};
    snapshot.settled_since = core::Instant{std::chrono::milliseconds{97900}};  // 2.1 of the sample's 5 s
    snapshot.transmitting_since = core::Instant{std::chrono::seconds{40}};
    const auto json = nlohmann::json(formats::to_json(device.summary(snapshot, {})));
    CHECK(json["settling_left_s"] == 3);  // 2.9, rounded up
    CHECK(json["transmitting_s"] == 60);
    snapshot.state = core::State::permitted;
    CHECK(nlohmann::json(formats::to_json(device.summary(snapshot, {})))["settling_left_s"].is_null());
}

TEST_CASE("for who comes later: the plan and the last events") {
    const formats::Configuration configuration = sample();
    const homie::Device device{configuration};
    const core::Snapshot snapshot = quiet(configuration.plan);
    const auto plan = nlohmann::json::parse(shown(device, "service/plan", snapshot));
    CHECK(plan["limits"].size() == 2);
    homie::Context around;
    CHECK(shown(device, "service/recent", snapshot, around) == "[]");
    around.recent = "[{\"number\":7}]";
    CHECK(shown(device, "service/recent", snapshot, around) == "[{\"number\":7}]");
}

TEST_CASE("what was kept of the past, and what was lost of it") {
    const formats::Configuration configuration = sample();
    const homie::Device device{configuration};
    const core::Snapshot snapshot = quiet(configuration.plan);
    homie::Context around;
    CHECK(shown(device, "service/records-dropped", snapshot, around) == "0");
    around.captures = 3;
    around.records_waiting = 2;
    around.records_dropped = 7;
    around.steps_lost = 11;
    around.failed_writes = 13;
    CHECK(shown(device, "service/captures", snapshot, around) == "3");
    CHECK(shown(device, "service/records-waiting", snapshot, around) == "2");
    CHECK(shown(device, "service/records-dropped", snapshot, around) == "7");
    CHECK(shown(device, "service/steps-lost", snapshot, around) == "11");
    CHECK(shown(device, "service/failed-writes", snapshot, around) == "13");
}

TEST_CASE("a command is its own name on its own topic, and nothing else is one") {
    CHECK(judged(message("hold", "hold")) == "hold");
    CHECK(judged(message("release", "release"), false, true) == "release");
    CHECK(judged(message("reset", "reset"), false, false, true) == "reset");

    CHECK(judged(message("release", "release"), false, false, true) == homie::text(Refusal::not_allowed));
    CHECK(judged(message("reset", "reset"), false, true, false) == homie::text(Refusal::not_allowed));
    CHECK(judged(message("hold", "climber on the mast")) == "hold: climber on the mast");
    CHECK(judged(message("hold", "")) == homie::text(Refusal::malformed));
    CHECK(judged(message("hold", "hold ")) == "hold");
    CHECK(judged(message("hold", "two\nlines \x1b[0m")) == "hold: two lines  [0m");
    CHECK(judged(message("hold", std::string(1, '\0'))) == "hold");
    CHECK(judged(message("permit", "true")) == homie::text(Refusal::unknown));
    CHECK(judged(message("hold/x", "hold")) == homie::text(Refusal::unknown));
    CHECK(judged(message("hold", "hold"), true) == "hold");  // right at any moment
    CHECK(judged(message("reset", "reset"), true, false, true) == homie::text(Refusal::late));
    CHECK(judged(message("release", "release"), true, true) == homie::text(Refusal::late));

    Incoming twice = message("hold", "hold");
    twice.duplicate = true;
    CHECK(judged(twice) == homie::text(Refusal::duplicate));
    Incoming kept = message("hold", "hold");
    kept.retained = true;
    CHECK(judged(kept) == homie::text(Refusal::retained));
    Incoming cut = message("release", "release");
    cut.size = 100'000;  // what was handed on is only its beginning
    CHECK(judged(cut, false, true) == homie::text(Refusal::oversized));
    cut.size = 8;
    CHECK(judged(cut, false, true) == homie::text(Refusal::malformed));
    // A hold is done whatever its reason is like.
    Incoming longer = message("hold", std::string(256, 'x'));
    longer.size = 100'000;
    CHECK(judged(longer) == "hold: " + std::string(200, 'x'));
}

TEST_CASE("the dead band is no coarser than what is shown, nor finer than it can be measured") {
    CHECK(homie::dead_band(core::Unit::celsius, 40.0) == doctest::Approx(0.2));
    CHECK(homie::dead_band(core::Unit::watt, 104.0) == doctest::Approx(1.04));
    CHECK(homie::dead_band(core::Unit::watt, 0.0) == doctest::Approx(0.01));
    CHECK(homie::dead_band(core::Unit::none, 1.3) == doctest::Approx(0.013));
}
