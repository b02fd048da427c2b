#include "messages/feed.hpp"

#include <doctest/doctest.h>

#include <limits>

#include "sample_plan.hpp"

using namespace dekeyd;
using namespace std::chrono_literals;

namespace {

core::Snapshot busy_snapshot(const core::Plan& plan) {
    core::Snapshot snapshot = core::Protection::blank(plan);
    snapshot.sequence = std::numeric_limits<std::uint64_t>::max();
    snapshot.now = core::Instant{123456789012345ns};
    snapshot.permit = true;
    snapshot.state = core::State::latched;
    snapshot.proof = {
        .phase = core::ProofPhase::limit, .limit = 2, .injects = true, .injected = -1e-300, .line_proved = true};
    snapshot.release = 12ms;
    snapshot.transmitting_since = core::Instant{1ns};
    snapshot.quantities[0] = {.value = 0.1 + 0.2,
                              .low = -std::numeric_limits<double>::denorm_min(),
                              .high = core::unbounded,
                              .health = core::Health::good,
                              .fault = core::Fault::none,
                              .taken = snapshot.now - 3ms};
    snapshot.causes[1] = {.condition = core::Condition::bad, .active = true, .latched = true, .first = true};
    snapshot.warnings[0] = 1;
    snapshot.channels[0].good_keyed = 77;
    snapshot.memory.held_remotely = true;
    snapshot.memory.trip_level = 9min;
    snapshot.memory.latched[1] = true;
    snapshot.events_dropped = 5;
    return snapshot;
}

}  // namespace

TEST_CASE("a snapshot comes back to the last bit") {
    const core::Plan plan = test::sample_plan();
    const core::Snapshot sent = busy_snapshot(plan);
    core::Snapshot found = core::Protection::blank(plan);
    REQUIRE(formats::take_words(formats::words_of(sent), found));
    CHECK(formats::words_of(found) == formats::words_of(sent));
    CHECK(found.quantities[0].value == sent.quantities[0].value);
    CHECK(found.quantities[0].low == sent.quantities[0].low);
    CHECK(found.transmitting_since == sent.transmitting_since);
    CHECK(found.release == sent.release);
    CHECK_FALSE(found.commissioning_until);
    CHECK(found.memory == sent.memory);
    CHECK(found.proof.injected == sent.proof.injected);
    CHECK(found.causes[1].latched);
}

TEST_CASE("words of another plan, too few or too many are none") {
    const core::Plan plan = test::sample_plan();
    const std::string words = formats::words_of(busy_snapshot(plan));
    core::Snapshot found = core::Protection::blank(plan);
    CHECK_FALSE(formats::take_words(words + " 1", found));
    for (std::size_t end = words.rfind(' '); end != std::string::npos && end > 0; end = words.rfind(' ', end - 1)) {
        REQUIRE_FALSE(formats::take_words(words.substr(0, end), found));
    }
    core::Snapshot smaller = core::Protection::blank(plan);
    smaller.quantities.pop_back();
    CHECK_FALSE(formats::take_words(words, smaller));
    CHECK_FALSE(formats::take_words("", found));
    CHECK_FALSE(formats::take_words("what is this", found));
}

TEST_CASE("an event comes back whole") {
    core::Event sent;
    sent.number = 12;
    sent.at = core::Instant{5s};
    sent.kind = core::EventKind::tripped;
    sent.source = 3;
    sent.first_cause = true;
    sent.condition = core::Condition::bad;
    sent.reading = test::good(2.41);
    sent.level = 2.0;
    sent.origin = core::Origin::remote;
    sent.command_id = 9;
    sent.times.line_off = 3ms;
    core::Event found;
    REQUIRE(formats::take_words(formats::words_of(sent), found));
    CHECK(formats::words_of(found) == formats::words_of(sent));
    CHECK(found.reading.value == 2.41);
    CHECK(found.times.line_off == 3ms);
    CHECK_FALSE(formats::take_words("1 2", found));
}

TEST_CASE("a line of the feed is what it was, and garbage is nothing") {
    formats::Feed feed{.snapshot = "words", .events = {"one", "two"}};
    feed.storage.epoch = "00ff";
    feed.storage.durable = 41;
    feed.history = formats::FeedHistory{.captures = {"{}", ""}, .transmissions = "[\"\xc3\xa9\"]"};
    const formats::FeedLine found = formats::parse_feed_line(formats::feed_line({.feed = feed}));
    REQUIRE(found.feed);
    CHECK_FALSE(found.hello);
    CHECK_FALSE(found.events);
    CHECK(found.feed->events == feed.events);
    CHECK(found.feed->storage.durable == 41);
    REQUIRE(found.feed->history);
    CHECK(found.feed->history->transmissions == feed.history->transmissions);
    const formats::FeedLine events = formats::parse_feed_line(formats::feed_line(
        {.events = formats::FeedEvents{.after = 3, .durable = 5, .entries = {{4, "{\"a\":\"\\\"\"}"}}}}));
    REQUIRE(events.events);
    CHECK(events.events->entries[0].text == "{\"a\":\"\\\"\"}");
    for (const char* garbage : {"", "{", "[]", "null", "{\"feed\":1}", "{\"hello\":[]}", "\xff\xfe"}) {
        const formats::FeedLine none = formats::parse_feed_line(garbage);
        CHECK_FALSE(none.hello);
        CHECK_FALSE(none.feed);
        CHECK_FALSE(none.events);
    }
}

TEST_CASE("the telemetry's own section is no part of what both must agree about") {
    const std::string before = "dekeyd: 1\nmqtt:\n  host: one\n# a remark\n\n  port: 1883\nlimits:\n  a: 1\n";
    const auto sum = [](std::string text, std::string_view from, std::string_view to) {
        return formats::configuration_sum(text.replace(text.find(from), from.size(), to));
    };
    const std::string known = formats::configuration_sum(before);
    CHECK(sum(before, "one", "another") == known);
    CHECK(sum(before, "1883", "1884") == known);
    CHECK(sum(before, "mqtt:\n  host: one\n# a remark\n\n  port: 1883\n", "mqtt: {host: one}\n") == known);
    CHECK(sum(before, "a: 1", "a: 2") != known);
    CHECK(sum(before, "dekeyd: 1", "dekeyd: 2") != known);
    CHECK(sum(before, "limits", "limit") != known);
    CHECK(sum(before, "  a: 1\n", "  a: 1\nmqtt: {}") == known);
    CHECK(sum(before, "  a: 1\n", "  a: 1\nmqtt2: {}") != known);
    CHECK(sum(before, "  a: 1\n", "  a: 1\n  mqtt: {}\n") != known);
    CHECK(formats::configuration_sum("") == formats::configuration_sum("mqtt: {}"));
}
