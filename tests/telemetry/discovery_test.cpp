// The document as a whole is judged by tests/mqtt/discovery_test.py, a reader of its own; here are the edges.
#include "telemetry/published/discovery.hpp"

#include <doctest/doctest.h>

#include <nlohmann/json.hpp>

#include "sample_plan.hpp"
#include "telemetry/arguments.hpp"

using namespace dekeyd;
using namespace std::chrono_literals;

namespace {

formats::Configuration announced(bool release = false) {
    formats::Configuration made;
    made.id = "hilltop";
    made.plan = test::sample_plan();
    made.mqtt = formats::MqttConfig{};
    made.mqtt->slowest = 30s;
    made.mqtt->remote_release = release;
    made.mqtt->discovery_prefix = "homeassistant";
    return made;
}

nlohmann::json components(const formats::Configuration& configuration, const std::set<std::string>& gone = {}) {
    const homie::Device device{configuration};
    return nlohmann::json::parse(homie::discovery_document(configuration, device, "1.2", gone))["components"];
}

}  // namespace

TEST_CASE("a number has its unit and its class where the form has one; a command is a button") {
    const auto all = components(announced(true));
    CHECK(all["measurements-heatsink"]["unit_of_measurement"] == "°C");
    CHECK(all["measurements-heatsink"]["device_class"] == "temperature");
    CHECK(all["measurements-forward"]["device_class"] == "power");
    CHECK_FALSE(all["measurements-vswr"].contains("unit_of_measurement"));
    CHECK_FALSE(all["measurements-vswr"].contains("device_class"));
    CHECK_FALSE(all["measurements-vswr"].contains("entity_category"));  // a limit trips on it
    CHECK(all["measurements-return-loss"]["unit_of_measurement"] == "dB");
    CHECK_FALSE(all["measurements-return-loss"].contains("device_class"));
    CHECK(all["measurements-return-loss"]["enabled_by_default"] == false);
    CHECK(all["permit-hold"]["command_topic"] == "homie/5/hilltop/permit/hold/set");
    CHECK(all["permit-release"]["payload_press"] == "release");
    CHECK_FALSE(all.contains("permit-reset"));
    CHECK_FALSE(all.contains("service-summary"));
    CHECK(all["hazards-heat"]["device_class"] == "problem");
    CHECK_FALSE(all.contains("hazards-supply"));  // nothing measures one here
}

TEST_CASE("a contact that keeps a lid is a problem when open; one that tells of the key is none") {
    formats::Configuration configuration = announced();
    configuration.plan.channels.push_back(test::sample_channel("lid", "Lid", core::ChannelKind::contact, 3));
    configuration.plan.channels.push_back(test::sample_channel("key", "Key", core::ChannelKind::contact, 3));
    configuration.plan.roles.key_sense = 4;
    const auto all = components(configuration);
    CHECK(all["measurements-lid"]["device_class"] == "problem");
    CHECK(all["measurements-lid"]["payload_on"] == "false");
    CHECK_FALSE(all["measurements-key"].contains("device_class"));
    CHECK(all["measurements-key"]["payload_on"] == "true");
}

TEST_CASE("what was announced and is no more is taken away by its kind alone") {
    const auto all = components(announced(), {"limits-fan sensor"});
    CHECK(all["limits-fan"] == nlohmann::json{{"platform", "sensor"}});
}

TEST_CASE("each value is sent again before it is too old; nothing more often where nobody announces it") {
    formats::Configuration configuration = announced();
    const homie::Device device{configuration};
    const auto again = [&](const std::string& topic) {
        return homie::sent_again(*device.find("homie/5/hilltop/" + topic), *configuration.mqtt);
    };
    CHECK(again("permit/permit") == 5s);
    CHECK(again("permit/state") == 30s);
    CHECK(again("measurements/heatsink") == 30s);
    CHECK(again("limits/vswr") == 300s);
    CHECK_FALSE(again("permit/hold"));
    CHECK_FALSE(again("service/summary"));
    CHECK(components(configuration)["permit-permit"]["expire_after"] == 15);
    CHECK(components(configuration)["limits-vswr"]["expire_after"] == 605);
    configuration.mqtt->slowest = 2s;
    CHECK(again("permit/permit") == 2s);
    configuration.mqtt->discovery_prefix.clear();
    CHECK_FALSE(again("permit/permit"));
    CHECK(again("measurements/heatsink") == 2s);
}

TEST_CASE("the manual's table has each node, and where the document lies") {
    CLI::App app;
    telemetry::Arguments arguments;
    telemetry::define_arguments(app, arguments);
    const std::string text = app.get_footer();
    for (const homie::Node& node : homie::nodes()) {
        CAPTURE(node.id);
        CHECK(text.find("homie/5/ID/" + std::string{node.id} + "/") != std::string::npos);
    }
    CHECK(text.find(homie::discovery_topic("PREFIX", "ID")) != std::string::npos);
}
