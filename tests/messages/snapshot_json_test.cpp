#include "messages/snapshot_json.hpp"

#include <doctest/doctest.h>

#include <cmath>
#include <limits>
#include <nlohmann/json.hpp>
#include <random>
#include <set>

#include "sample_plan.hpp"

using namespace dekeyd;
using Json = nlohmann::ordered_json;
using formats::status_json;
using std::chrono::milliseconds;
using std::chrono::seconds;

namespace {

formats::Configuration configuration() {
    formats::Configuration made;
    made.id = "hilltop-23cm";
    made.name = "Hill-top repeater amplifier";
    made.plan = test::sample_plan();
    return made;
}

formats::StatusContext context() {
    return {.version = "1.2.3", .line = "GPIO17", .realtime = true, .memory_locked = false, .mqtt = {}};
}

/// What a reader of the text finds: an infinity or a NaN would have become null there, so look before.
void check_finite(const Json& json) {
    if (json.is_structured()) {
        for (const Json& part : json) check_finite(part);
    } else if (json.is_number_float()) {
        CHECK(std::isfinite(json.get<double>()));
    }
}

}  // namespace

TEST_CASE("status has what the control socket promises") {
    const formats::Configuration config = configuration();
    core::Snapshot snapshot = core::Protection::blank(config.plan);
    snapshot.sequence = 42;
    snapshot.now = core::Instant{milliseconds{10500}};
    snapshot.permit = true;
    snapshot.state = core::State::permitted;
    snapshot.quantities[0] = test::good(41.5);
    snapshot.quantities[0].taken = core::Instant{milliseconds{10000}};
    snapshot.warnings[0] = 1;
    snapshot.channels[1].faults_keyed = 7;
    snapshot.channels[1].last_fault = core::Fault::bad_crc;
    const Json json = status_json(config, snapshot, context());

    CHECK(json["id"] == "hilltop-23cm");
    CHECK(json["version"] == "1.2.3");
    CHECK(json["now_s"] == 10.5);
    CHECK(json["sequence"] == 42);
    CHECK(json["permit"] == true);
    CHECK(json["state"] == "permitted");
    CHECK(json["line"] == "GPIO17");
    CHECK(json["causes"].empty());
    CHECK(json["mqtt"].is_null());
    CHECK(json["guard"]["realtime"] == true);
    CHECK(json["guard"]["memory_locked"] == false);

    const Json& heatsink = json["quantities"][0];
    CHECK(heatsink["id"] == "heatsink");
    CHECK(heatsink["value"] == 41.5);
    CHECK(heatsink["health"] == "good");
    CHECK(heatsink["age_s"] == 0.5);
    const Json& forward = json["quantities"][1];
    CHECK(forward["value"].is_null());
    CHECK(forward["age_s"].is_null());
    CHECK(forward["fault"] == core::text(core::Fault::never_read));
    CHECK(json["quantities"].size() == config.plan.quantity_count());

    CHECK(json["limits"][0]["watch"] == "heatsink");
    CHECK(json["limits"][0]["clear"] == 55.0);
    CHECK(json["limits"][0]["warning"] == true);
    CHECK(json["limits"][0]["rearm"] == "automatic");
    CHECK(json["limits"][1]["clear"].is_null());
    CHECK(json["limits"][1]["clear_by"] == "rf off");
    CHECK(json["limits"][1]["warn"].is_null());
    CHECK(json["channels"][1]["faults_keyed"] == 7);
    CHECK(json["channels"][1]["last_fault"] == "bad CRC");
}

TEST_CASE("the broker's state is an object where one is configured") {
    const formats::Configuration config = configuration();
    formats::StatusContext with_broker = context();
    with_broker.mqtt = formats::MqttStatus{.telemetry = true, .connected = false};
    const Json json = status_json(config, core::Protection::blank(config.plan), with_broker);
    CHECK(json["mqtt"]["connected"] == false);
    CHECK(json["mqtt"]["telemetry"] == true);
}

TEST_CASE("an active cause shows its age and what is left of the hold-off") {
    const formats::Configuration config = configuration();
    core::Snapshot snapshot = core::Protection::blank(config.plan);
    snapshot.now = core::Instant{seconds{100}};
    core::Cause& cause = snapshot.causes[test::heatsink_limit];
    cause = {.condition = core::Condition::bad, .active = true, .first = true, .since = core::Instant{seconds{90}}};
    Json json = status_json(config, snapshot, context());
    REQUIRE(json["causes"].size() == 1);
    CHECK(json["causes"][0]["id"] == "heatsink");
    CHECK(json["causes"][0]["kind"] == "limit");
    CHECK(json["causes"][0]["since_s"] == 10.0);
    CHECK(json["causes"][0]["first"] == true);
    CHECK(json["causes"][0]["hold_off_left_s"] == 30.0);  // it hasn't begun: the cause still stands

    cause.condition = core::Condition::clear;
    cause.clear_since = core::Instant{seconds{95}};
    json = status_json(config, snapshot, context());
    CHECK(json["causes"][0]["hold_off_left_s"] == 25.0);
    cause.clear_since = core::Instant{seconds{10}};
    json = status_json(config, snapshot, context());
    CHECK(json["causes"][0]["hold_off_left_s"] == 0.0);
}

TEST_CASE("settling counts down only while all is clear") {
    const formats::Configuration config = configuration();
    core::Snapshot snapshot = core::Protection::blank(config.plan);
    snapshot.now = core::Instant{seconds{100}};
    CHECK(status_json(config, snapshot, context())["settling_left_s"] == 5.0);
    for (core::Cause& cause : snapshot.causes) cause.condition = core::Condition::clear;
    snapshot.settled_since = core::Instant{seconds{97}};
    CHECK(status_json(config, snapshot, context())["settling_left_s"] == 2.0);
    snapshot.now = core::Instant{seconds{1000}};
    CHECK(status_json(config, snapshot, context())["settling_left_s"] == 0.0);
}

TEST_CASE("every number is finite whatever the snapshot holds") {
    const formats::Configuration config = configuration();
    std::mt19937 random{20260301};
    const double odd[] = {0.0,
                          -0.0,
                          1e308,
                          -1e308,
                          5e-324,
                          std::numeric_limits<double>::quiet_NaN(),
                          std::numeric_limits<double>::infinity(),
                          -std::numeric_limits<double>::infinity(),
                          core::unbounded};
    const auto value = [&] { return odd[random() % std::size(odd)]; };
    const auto time = [&] {
        const core::Instant times[] = {core::Instant{}, core::Instant{seconds{5}}, core::Instant::max(),
                                       core::Instant{std::chrono::hours{24 * 365 * 50}}};
        return times[random() % std::size(times)];
    };
    for (int round = 0; round < 2000; ++round) {
        core::Snapshot snapshot = core::Protection::blank(config.plan);
        snapshot.now = core::Instant{std::chrono::hours{24 * 365}};
        snapshot.state = static_cast<core::State>(random() % 6);
        for (core::Reading& reading : snapshot.quantities) {
            reading = {.value = value(),
                       .low = value(),
                       .high = value(),
                       .health = static_cast<core::Health>(random() % 5),
                       .fault = static_cast<core::Fault>(random() % 18),
                       .taken = time()};
        }
        for (core::Cause& cause : snapshot.causes) {
            cause = {.condition = static_cast<core::Condition>(random() % 5),
                     .active = random() % 2 == 0,
                     .latched = random() % 2 == 0,
                     .first = random() % 2 == 0,
                     .since = time(),
                     .clear_since = time()};
        }
        const Json json = status_json(config, snapshot, context());
        check_finite(json);
        const Json again = Json::parse(formats::to_line(json));
        CHECK(again["quantities"].size() == config.plan.quantity_count());
    }
}

TEST_CASE("bytes that aren't UTF-8 don't break the line") {
    formats::Configuration config = configuration();
    config.name = "Ampli\xff";
    const std::string line = formats::to_line(status_json(config, core::Protection::blank(config.plan), context()));
    CHECK(line.find('\n') == std::string::npos);
    CHECK(Json::parse(line)["permit"] == false);
}
