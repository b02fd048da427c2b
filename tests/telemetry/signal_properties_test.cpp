#include "telemetry/received/signal_properties.hpp"

#include <doctest/doctest.h>

#include <nlohmann/json.hpp>

#include "mqtt/payloads.hpp"
#include "sample_plan.hpp"
#include "telemetry/published/discovery.hpp"

using namespace dekeyd;
using namespace std::chrono_literals;
using formats::ReceivedState;

namespace {

formats::Configuration listening(bool shoulders, bool ratio) {
    formats::Configuration made;
    made.id = "hilltop";
    made.plan = test::sample_plan();
    made.mqtt = formats::MqttConfig{};
    made.mqtt->slowest = 30s;
    made.mqtt->discovery_prefix = "homeassistant";
    if (!shoulders && !ratio) return made;
    made.signal.emplace();
    if (shoulders) made.signal->at(0) = {"receiver/shoulders", 40.0, 30s};
    if (ratio) made.signal->at(1) = {"receiver/mer", 20.0, 30s};
    return made;
}

homie::Context told(ReceivedState state, std::optional<double> value, bool warns = false) {
    homie::Context around;
    around.signal.guard_answers = true;
    around.signal.measures[0] = {.topic = "receiver/shoulders",
                                 .warn_below_db = 40.0,
                                 .allowed_age = 30s,
                                 .state = state,
                                 .value_db = value,
                                 .age_at_most = {},
                                 .warns = warns};
    if (value && state != ReceivedState::of_unknown_age) around.signal.measures[0]->age_at_most = 5s;
    return around;
}

}  // namespace

TEST_CASE("the node has what is configured, and always the question") {
    const auto ids = [](bool shoulders, bool ratio) {
        std::string all;
        for (const homie::Property& one : homie::signal_properties(listening(shoulders, ratio), "signal"))
            all += one.id + ' ';
        return all;
    };
    CHECK(ids(false, false) == "clean ");
    CHECK(ids(true, false) == "clean warning shoulder-attenuation shoulder-attenuation-state ");
    CHECK(ids(false, true) == "clean warning modulation-error-ratio modulation-error-ratio-state ");
    CHECK(ids(true, true) ==
          "clean warning shoulder-attenuation shoulder-attenuation-state modulation-error-ratio "
          "modulation-error-ratio-state ");
    CHECK(homie::signal_properties(listening(true, true), "permit").empty());
    const formats::Configuration configuration = listening(true, true);
    const homie::Device device{configuration};
    const auto properties = nlohmann::json::parse(device.description(1))["nodes"]["signal"]["properties"];
    CHECK(properties.size() == 6);
    for (const auto& one : properties) CHECK_FALSE(one.contains("settable"));
    CHECK(properties["shoulder-attenuation"]["unit"] == "dB");
    CHECK(properties["shoulder-attenuation"]["datatype"] == "float");
    const auto document =
        nlohmann::json::parse(homie::discovery_document(configuration, device, "1", {}))["components"];
    CHECK(document["signal-warning"]["device_class"] == "problem");
    CHECK(document["signal-shoulder-attenuation"]["unit_of_measurement"] == "dB");
    CHECK(document["signal-shoulder-attenuation"]["expire_after"] == 65);
}

TEST_CASE("a number stands only where it isn't too old, and each state is told") {
    const formats::Configuration configuration = listening(true, false);
    const homie::Device device{configuration};
    const core::Snapshot snapshot = core::Protection::blank(configuration.plan);
    const auto shown = [&](const char* id, const homie::Context& around) {
        const homie::Property* const property = device.find(std::string{"homie/5/hilltop/signal/"} + id);
        REQUIRE(property != nullptr);
        const homie::Value value = device.value(*property, snapshot, around);
        if (value.text) CHECK(test::fits(std::string{homie::text(property->datatype)}, property->format, *value.text));
        return value.text.value_or("(none)");
    };
    const auto number = [&](ReceivedState state, std::optional<double> value) {
        return shown("shoulder-attenuation", told(state, value)) + ", " +
               shown("shoulder-attenuation-state", told(state, value));
    };
    CHECK(number(ReceivedState::awaited, {}) == "(none), awaited");
    CHECK(number(ReceivedState::good, 42.34) == "42.3, good");
    CHECK(number(ReceivedState::not_of_this, -3.0) == "-3.0, not of this transmission");
    CHECK(number(ReceivedState::of_unknown_age, 42.0) == "(none), of unknown age");
    CHECK(number(ReceivedState::stale, {}) == "(none), stale");
    CHECK(number(ReceivedState::unreadable, {}) == "(none), unreadable");
    CHECK(shown("warning", told(ReceivedState::good, 42.0)) == "false");
    CHECK(shown("warning", told(ReceivedState::good, 38.0, true)) == "true");
    CHECK(shown("clean", told(ReceivedState::good, 42.0)).find("Not transmitting") == 0);
}

TEST_CASE("an alert stands for each measurement that warns") {
    CHECK(homie::signal_alerts(told(ReceivedState::good, 42.0).signal).empty());
    const auto alerts = homie::signal_alerts(told(ReceivedState::good, 38.2, true).signal);
    REQUIRE(alerts.size() == 1);
    CHECK(alerts.begin()->first == "signal-shoulder-attenuation");
    CHECK(
        alerts.begin()->second.sentence ==
        "The signal is not clean: shoulder attenuation 38.0 dB, below 40 dB, received from receiver/shoulders. This is "
        "a warning and no more.");
    CHECK_FALSE(alerts.begin()->second.latched);
}
