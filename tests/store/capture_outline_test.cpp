#include "store/captures/outline.hpp"

#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <nlohmann/json.hpp>

#include "sample_plan.hpp"

using namespace dekeyd;
using namespace std::chrono_literals;

namespace {

constexpr core::Instant trip{5000s};

formats::CaptureHeader header() {
    return {.version = "0.0.1",
            .id = "hilltop",
            .name = "Hill-top repeater amplifier",
            .kind = "trip",
            .cause = "Tripped: VSWR 2.41 at or above 2.00.",
            .cause_step = 1,
            .origin = trip,
            .origin_wall = "2026-03-01T07:00:00.000Z",
            .synchronised = true,
            .lost_before = 0,
            .state = {},
            .configuration = {},
            .folder = {}};
}

/// A step each `period`; forward and VSWR by the functions given, none where NaN.
template <class Forward, class Vswr>
nlohmann::json outline(core::Duration before, core::Duration after, core::Duration period, Forward forward, Vswr vswr) {
    const core::Plan plan = test::sample_plan();
    formats::CaptureOutline made{plan, trip, trip - before, trip + after, test::vswr_limit};
    core::Snapshot snapshot = core::Protection::blank(plan);
    for (core::Instant now = trip - before; now <= trip + after; now += period) {
        const double t = std::chrono::duration<double>(now - trip).count();
        const auto reading = [](double value) { return std::isnan(value) ? core::Reading{} : test::good(value); };
        snapshot.now = now;
        snapshot.quantities[0] = test::good(41.23456);
        snapshot.quantities[1] = reading(forward(t));
        snapshot.quantities[plan.index(core::Derived::vswr)] = reading(vswr(t));
        made.add(snapshot, now < trip);
    }
    const std::string text = made.text(header());
    CHECK(text.size() < formats::CaptureOutline::most_bytes);
    return nlohmann::json::parse(text);
}

const nlohmann::json& values(const nlohmann::json& json, const char* id) {
    for (const auto& quantity : json["quantities"]) {
        if (quantity["id"] == id) return quantity["values"];
    }
    FAIL("no such quantity");
    return json;
}

}  // namespace

TEST_CASE("an outline says what tripped, where and when, and begins with it") {
    const auto json = outline(
        10s, 5s, 20ms, [](double t) { return t < 0.0 ? 104.0 : 0.0; },
        [](double t) { return t < 0.0    ? 1.31
                              : t < 0.02 ? 2.41
                                         : std::nan(""); });
    CHECK(json["at_s"] == 5000.0);
    CHECK(json["wall"] == "2026-03-01T07:00:00.000Z");
    CHECK(json["cause"] == "Tripped: VSWR 2.41 at or above 2.00.");
    CHECK(json["source"] == "vswr");
    CHECK(json["watch"] == "vswr");
    CHECK(json["level"] == 2.0);
    CHECK(json["direction"] == "above");
    CHECK(json["quantities"][0]["id"] == "vswr");
    CHECK(json["permit"] == nlohmann::json::parse("[[-10.0, true], [0.0, false]]"));
    CHECK(json["steps"] == 751);
    CHECK(values(json, "heatsink")[0] == 41.23);

    // Near the trip every step is there; far away, and no farther, it goes to the ends.
    const std::vector<double> t = json["t"];
    CHECK(std::is_sorted(t.begin(), t.end()));
    CHECK(t.front() == -10.0);
    CHECK(t.back() == 5.0);
    CHECK(t.size() > 200);
    CHECK(t.size() <= 460);
    const auto at_trip = static_cast<std::size_t>(std::find(t.begin(), t.end(), 0.0) - t.begin());
    REQUIRE(at_trip + 1 < t.size());
    CHECK(t[at_trip - 1] == -0.02);
    CHECK(values(json, "vswr")[at_trip] == 2.41);
    CHECK(values(json, "vswr")[at_trip - 1] == 1.31);
    CHECK(values(json, "vswr").back().is_null());
    for (const auto& quantity : json["quantities"]) CHECK(quantity["values"].size() == t.size());
}

TEST_CASE("a peak of a single step far from the trip is neither lost nor moved by more than its span") {
    const auto json = outline(
        30s, 5s, 2ms, [](double t) { return std::fabs(t + 17.3) < 0.0005 ? 163.0 : 100.0; },
        [](double t) { return std::fabs(t + 4.1) < 0.0005 ? std::nan("") : 1.2; });
    const auto& forward = values(json, "forward");
    const auto peak = std::find(forward.begin(), forward.end(), 163.0);
    REQUIRE(peak != forward.end());
    CHECK(std::fabs(json["t"][static_cast<std::size_t>(peak - forward.begin())].get<double>() + 17.3) <= 0.6);
    CHECK(std::count(forward.begin(), forward.end(), 163.0) == 1);
    CHECK(json["t"].size() <= 460);
}

TEST_CASE("an hour of a wild bus still fits into one message") {
    core::Plan plan = test::sample_plan();
    for (int i = 0; i < 30; ++i) {
        const std::string id = "extra-" + std::to_string(i);
        plan.channels.push_back(
            test::sample_channel(id.c_str(), "A sensor with a rather long name", core::ChannelKind::voltage, 0));
        core::LimitPlan limit = plan.limits[0];
        limit.id = id;
        limit.watch = static_cast<core::QuantityIndex>(plan.channels.size() - 1);
        plan.limits.push_back(limit);
    }
    formats::CaptureOutline made{plan, trip, trip - 10s, trip + 3600s, core::no_source};
    core::Snapshot snapshot = core::Protection::blank(plan);
    std::uint32_t noise = 1;
    bool permit = false;
    for (core::Instant now = trip - 10s; now <= trip + 3600s; now += 100ms) {
        snapshot.now = now;
        for (core::Reading& reading : snapshot.quantities) {
            noise = noise * 1664525U + 1013904223U;
            reading = test::good(-static_cast<double>(noise) / 7.0e6);
        }
        permit = !permit;
        made.add(snapshot, permit);
    }
    formats::CaptureHeader with_long_words = header();
    with_long_words.cause = std::string(100'000, 'x');
    const std::string text = made.text(with_long_words);
    CHECK(text.size() < formats::CaptureOutline::most_bytes);
    const auto json = nlohmann::json::parse(text);
    CHECK(json["quantities"].size() == formats::CaptureOutline::most_quantities);
    CHECK(json["watch"].is_null());
    CHECK(json["level"].is_null());
}

TEST_CASE("a capture of one step") {
    const auto json = outline(
        0s, 0s, 20ms, [](double) { return 1e300; }, [](double) { return std::nan(""); });
    CHECK(json["t"] == nlohmann::json::array({0.0}));
    CHECK(values(json, "forward")[0].is_null());  // beyond "unbounded" it is no number
}
