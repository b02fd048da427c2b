// Messages whose fields are named once: written, read back, and read from what another version or a stranger wrote.
#include "words/fields.hpp"

#include <doctest/doctest.h>

#include <limits>

#include "words/messages.hpp"

using namespace dekeyd::formats;

namespace {

std::string as_it_is(std::string_view text) {
    return std::string{text};
}

Status filled() {
    Status status;
    status.id = "hilltop";
    status.sequence = 7;
    status.permit = true;
    status.advice = "Back off by 2 dB.";
    status.commissioning_left_s = 12.5;
    status.contactor_closed = true;
    status.causes.push_back({.id = "heatsink", .latched = true, .since_s = 3.5});
    status.quantities.push_back({.id = "vswr", .value = 1.5, .low = 1.2, .health = "good"});
    status.limits.push_back({.id = "vswr", .above = false, .trip = 2.0, .clears_by_level = false, .latches = false});
    status.channels.push_back({.id = "forward", .good_keyed = 4, .last_fault = "none"});
    status.laws["forward"] = "1f2e";
    status.guard.overruns = 2;
    status.mqtt = MqttStatus{true};
    status.kept = KeptStatus{.captures = 3};
    status.proof.limit = "vswr";
    status.memory.unsaved_s = 4.0;
    return status;
}

}  // namespace

TEST_CASE("what is written is read back the same, field by field") {
    const nlohmann::ordered_json json = to_json(filled());
    CHECK(to_json(from_json<Status>(nlohmann::json::parse(json.dump()), as_it_is)) == json);
    CHECK(json["limits"][0]["direction"] == "below");
    CHECK(json["limits"][0]["clear_by"] == "rf off");
    CHECK(json["limits"][0]["rearm"] == "automatic");
    CHECK(json["quantities"][0]["high"].is_null());
    CHECK(to_json(Status{})["mqtt"].is_null());
}

TEST_CASE("an instant keeps its digits, a measured value the seven that mean something") {
    EventMessage event;
    event.at_s = 32762.807344024;
    event.value = 30.800000000000004;
    const nlohmann::ordered_json json = to_json(event);
    CHECK(json["at_s"] == 32762.807344024);
    CHECK(json["value"] == 30.8);
    CHECK(from_json<EventMessage>(json, as_it_is).at_s == 32762.807344024);
}

TEST_CASE("a number that isn't finite is null, and null is no number") {
    QuantityStatus quantity;
    quantity.value = std::numeric_limits<double>::quiet_NaN();
    CHECK(to_json(quantity)["value"].is_null());
    CHECK_FALSE(from_json<QuantityStatus>({{"value", nullptr}}, as_it_is).value);
}

TEST_CASE("each field with each wrong type, or left out, stays as it was; nothing throws") {
    const nlohmann::json good = nlohmann::json::parse(to_json(filled()).dump());
    for (const auto& item : good.items()) {
        const std::string& key = item.key();
        CAPTURE(key);
        for (const nlohmann::json& wrong :
             {nlohmann::json(nullptr), nlohmann::json(7), nlohmann::json(-1.5), nlohmann::json("x"),
              nlohmann::json(true), nlohmann::json::array({1, nullptr, "x", nlohmann::json::object()}),
              nlohmann::json{{"a", 1}}}) {
            nlohmann::json json = good;
            json[key] = wrong;
            const auto status = from_json<Status>(json, as_it_is);
            CHECK(status.id == (key == "id" ? (wrong.is_string() ? "x" : "") : "hilltop"));
        }
        nlohmann::json json = good;
        json.erase(key);
        CHECK(from_json<Status>(json, as_it_is).guard.overruns == (key == "guard" ? 0U : 2U));
    }
}

TEST_CASE("every text that is read is cleaned, keys of a map too") {
    const auto shout = [](std::string_view text) { return std::string{text} + "!"; };
    const auto status = from_json<Status>({{"id", "a"}, {"laws", {{"forward", "b"}}}}, shout);
    CHECK(status.id == "a!");
    CHECK(status.laws.at("forward!") == "b!");
}
