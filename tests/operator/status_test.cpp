#include "dekeyctl/status.hpp"

#include <doctest/doctest.h>

#include "sample.hpp"

using namespace dekeyd::ctl;

TEST_CASE("a whole status is read") {
    const Message message = read_message(nlohmann::json{{"ok", true}, {"status", sample::status()}}.dump());
    REQUIRE(message.status);
    CHECK(message.ok == true);
    CHECK(message.error.empty());
    const Status& status = *message.status;
    CHECK(status.permit);
    CHECK(status.state == "permitted");
    CHECK(status.quantities.size() == 5);
    CHECK(status.quantities[0].unit == "°C");
    CHECK(*status.quantities[0].value == doctest::Approx(41.3));
    REQUIRE(status.limits.size() == 5);
    CHECK(status.limits[0].above);
    CHECK(*status.limits[0].warn == doctest::Approx(65.0));
    CHECK_FALSE(status.limits[1].clears_by_level);
    CHECK(status.limits[1].latches);
    CHECK_FALSE(status.limits[2].above);
    CHECK(status.guard.memory_locked);
    REQUIRE(status.mqtt);
    CHECK(status.mqtt->connected);
    REQUIRE(status.kept);
    CHECK(status.kept->captures == 3);
}

TEST_CASE("no permit is concluded from a status that doesn't say so") {
    auto json = sample::status();
    json.erase("permit");
    CHECK_FALSE(read_message(nlohmann::json{{"status", json}}.dump()).status);
    json["permit"] = "true";
    const Message message = read_message(nlohmann::json{{"status", json}}.dump());
    CHECK_FALSE(message.status);
    CHECK_FALSE(message.error.empty());
}

TEST_CASE("anything else than a JSON object is an error, never an exception") {
    for (const char* line : {"", "{", "[]", "null", "7", "\"x\"", "\xff\xfe", "{\"ok\":}"})
        CHECK_FALSE(read_message(line).error.empty());
    // Wrong types where others are expected: empty, not thrown.
    const Message odd =
        read_message(R"({"ok":"yes","status":{"permit":true,"causes":7,"limits":[1,null],"guard":[]}})");
    CHECK_FALSE(odd.ok);
    REQUIRE(odd.status);
    CHECK(odd.status->causes.empty());
    CHECK(odd.status->limits.size() == 2);
}

TEST_CASE("events and answers to orders are read") {
    const Message event = read_message(sample::event(3, "tripped", "VSWR 3.4 is above 2.0"));
    REQUIRE(event.event);
    CHECK(event.event->number == 3);
    CHECK(event.event->text == "VSWR 3.4 is above 2.0");
    const Message answer = read_message(R"({"ok":false,"outcome":"refused","text":"heatsink still stands"})");
    CHECK(answer.ok == false);
    CHECK(answer.outcome == "refused");
    CHECK(answer.text == "heatsink still stands");
}

TEST_CASE("strings from the daemon can't drive the terminal") {
    const Message event = read_message(sample::event(1, "tripped", "a\x1b[2Jb"));
    CHECK(event.event->text == "a?[2Jb");
}

TEST_CASE("faults that come with RF alone are called what they are") {
    const Message message = read_message(nlohmann::json{{"status", sample::status()}}.dump());
    CHECK(sensor_notes(*message.status) ==
          std::vector<std::string>{
              "heatsink: faults 4 % while keyed, none otherwise (last: bad CRC): suspect RF on this cable"});
    Status even = *message.status;
    even.channels[0].faults_idle = 40;
    even.channels[0].frozen = true;
    CHECK(sensor_notes(even)[0].find("heatsink: frozen") == 0);
    even.channels[0].frozen = false;
    CHECK(sensor_notes(even)[0] == "heatsink: faults 4 % while keyed, 4 % otherwise (last: bad CRC)");
    even.channels[0] = {.id = "heatsink", .good_keyed = 5, .good_idle = 5, .last_fault = "none"};
    CHECK(sensor_notes(even).empty());
}

TEST_CASE("advice, and a commissioning with the limits that only then watch") {
    auto json = sample::status();
    auto cap = sample::limit("commissioning-forward", "forward", "W", "above", 12.0);
    cap["provisional"] = true;
    cap["standing"] = "only while commissioning";
    cap["rests"] = true;
    json["limits"].push_back(cap);
    json["advice"] = "Back off by 2 dB.";
    json["commissioning_left_s"] = nullptr;
    Status status = *read_message(nlohmann::json{{"status", json}}.dump()).status;
    CHECK(status.advice == "Back off by 2 dB.");
    CHECK_FALSE(status.commissioning_left_s);
    CHECK(status.limits.size() == 5);
    json["limits"][5]["active"] = true;  // a trip that stands is shown whatever comes after it
    CHECK(read_message(nlohmann::json{{"status", json}}.dump()).status->limits.size() == 6);
    json["limits"][5]["active"] = false;
    json["commissioning_left_s"] = 90.0;
    json["limits"][5]["rests"] = false;
    status = *read_message(nlohmann::json{{"status", json}}.dump()).status;
    CHECK(*status.commissioning_left_s == doctest::Approx(90.0));
    CHECK(status.limits.size() == 6);
}
