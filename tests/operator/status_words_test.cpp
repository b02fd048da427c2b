#include "dekeyctl/daily/status_words.hpp"

#include <doctest/doctest.h>

#include "sample.hpp"

using namespace dekeyd::ctl;

namespace {

Status read(const nlohmann::json& json) {
    return *read_message(nlohmann::json{{"status", json}}.dump()).status;
}

}  // namespace

TEST_CASE("what was kept of the past, in words") {
    auto json = sample::status();
    CHECK(kept_words(read(json)) == "kept since the start: 3 captures of trips");
    CHECK_FALSE(kept_is_amiss(read(json)));
    json["kept"] = {{"captures", 1}, {"waiting", 1}, {"dropped", 0}, {"failed_writes", 0}, {"lost_steps", 0}};
    CHECK(kept_words(read(json)) == "kept since the start: 1 capture of a trip; 1 file or row waits for the storage");
    CHECK_FALSE(kept_is_amiss(read(json)));  // it does so for a moment after each trip
    json["kept"] = {{"captures", 0}, {"waiting", 4}, {"dropped", 2}, {"failed_writes", 9}, {"lost_steps", 17}};
    CHECK(kept_words(read(json)) ==
          "kept since the start: 0 captures of trips; 4 files or rows wait for the storage; 9 writes FAILED; "
          "2 files or rows were given up; 17 decisions that no capture can show");
    for (const char* one : {"dropped", "failed_writes", "lost_steps"}) {
        auto lossy = sample::status();
        lossy["kept"][one] = 1;
        CHECK(kept_is_amiss(read(lossy)));
    }
    json.erase("kept");  // an older daemon
    CHECK(kept_words(read(json)).empty());
}

TEST_CASE("causes in words") {
    Cause cause{.id = "heatsink", .name = "", .condition = "bad", .since_s = 2.0};
    CHECK(cause_words({}, cause) == "heatsink: still stands (for 2.0 s)");
    cause.condition = "clear";
    cause.hold_off_left_s = 12.0;
    CHECK(cause_words({}, cause) == "heatsink: clear, hold-off 12 s left (for 2.0 s)");
    cause.latched = true;
    CHECK(cause_words({}, cause) == "heatsink: clear, hold-off 12 s left, then needs a reset (for 2.0 s)");
    cause.condition = "unknown";
    CHECK(cause_words({}, cause) == "heatsink: unknown, then needs a reset (for 2.0 s)");
    cause.condition = "not yet clear";
    cause.latched = false;
    CHECK(cause_words({}, cause) == "heatsink: not yet at its clear level (for 2.0 s)");
    // Where there is little room the name is cut, never what is to be done.
    cause.latched = true;
    cause.condition = "clear";
    cause.hold_off_left_s = 0.0;
    CHECK(cause_words({}, cause, 42) == "heatsink: clear, needs a reset (for 2.0 s)");
    CHECK(cause_words({}, cause, 41) == "heatsink: clear, needs a reset");
    CHECK(cause_words({}, cause, 26) == "hea~: clear, needs a reset");
}

TEST_CASE("a limit that waits for its first look says so") {
    Status status;
    status.quantities = {{.id = "supply", .value = 27.6, .health = "good", .fault = "none"}};
    status.limits = {
        {.id = "supply-low", .watch = "supply", .standing = "watches", .condition = "unknown", .active = true}};
    const Cause cause{.id = "supply-low", .condition = "unknown", .since_s = 0.2};
    const auto words = [&] { return cause_words(status, cause); };
    CHECK(words() == "supply-low: waits for its first reading (for 200 ms)");
    status.limits[0].standing = "gate not known";
    CHECK(words() == "supply-low: unknown (for 200 ms)");
    status.limits[0].standing = "watches";
    status.quantities[0].fault = "stale";
    CHECK(words() == "supply-low: unknown (stale) (for 200 ms)");
    status.quantities[0].fault = "none";
    status.quantities[0].health = "not measurable";
    CHECK(words() == "supply-low: unknown (for 200 ms)");
}
