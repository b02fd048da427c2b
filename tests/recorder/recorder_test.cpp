// daemon/recording/recorder.cpp and tools/dekeyctl/look_back/replay.cpp: a trip becomes a capture, and the capture is
// decided again.
#include "recording/recorder.hpp"

#include <doctest/doctest.h>

#include <fstream>
#include <nlohmann/json.hpp>
#include <sstream>

#include "amplifier.hpp"
#include "dekeyctl/look_back/replay.hpp"

using namespace recorded;

namespace {

/// 1000 s of the monotonic clock is 2026-03-01T06:59:00Z.
formats::WallStamp wall(core::Instant at) {
    return {.since_1970 = at.time_since_epoch() - 1000s + std::chrono::seconds{1772348340}, .synchronised = true};
}

struct Station {
    Amplifier amplifier;
    Recorder recorder;
    explicit Station(std::string text = std::string{sample_text})
        : amplifier{std::move(text)}, recorder{amplifier.config, "0.0.1", {}, false, &wall} {}
    void run(core::Duration length) {
        amplifier.run(length, [&](const formats::RecordedStep& step) { recorder.follow(step); });
    }
    std::vector<Record> take(Record::Kind kind) {
        std::vector<Record> found;
        for (const Record& record : recorder.ready()) {
            if (record.kind == kind) found.push_back(record);
        }
        return found;
    }
    /// On the air for 20 s, then a bad antenna; the trip's step is returned.
    std::uint64_t trip() {
        run(6s);
        REQUIRE(amplifier.guard.snapshot().permit);
        amplifier.forward_w = 100.0;
        amplifier.reflected_w = 0.5;
        run(20s);
        REQUIRE(amplifier.guard.snapshot().permit);
        amplifier.reflected_w = 20.0;
        std::uint64_t step = 0;
        while (amplifier.guard.snapshot().permit) {
            const formats::RecordedStep recorded = amplifier.step();
            step = recorded.number;
            recorder.follow(recorded);
        }
        amplifier.forward_w = amplifier.reflected_w = 0.0;
        run(8s);
        return step;
    }
};

ctl::ReplayReport replay(const std::string& text, const formats::Configuration* configuration = nullptr) {
    std::istringstream in{text};
    return ctl::replay(in, configuration);
}

}  // namespace

TEST_CASE("a trip becomes one capture, and its replay decides the same at the same sample") {
    Station station;
    const std::uint64_t trip = station.trip();
    const auto captures = station.take(Record::Kind::capture);
    REQUIRE(captures.size() == 1);
    CHECK(captures[0].name.starts_with("20260301T06592"));
    const auto outline = nlohmann::json::parse(captures[0].outline);
    CHECK(outline["source"] == "vswr");
    CHECK(outline["t"].front().get<double>() <= -10.0);
    CHECK(outline["t"].back().get<double>() >= 5.0);
    CHECK(outline["permit"].size() == 2);
    const std::string& text = captures[0].text;
    std::istringstream in{text};
    formats::CaptureReader reader{in};
    REQUIRE(reader.trouble() == "");
    CHECK(reader.header().cause_step == trip);
    CHECK(reader.header().cause.starts_with("Tripped: "));
    formats::RecordedStep step;
    core::Instant last{};
    std::size_t before = 0, after = 0;
    while (reader.next(step)) {
        // A sample at each of the guard's periods, 20 ms.
        if (last != core::Instant{}) REQUIRE(step.now - last == 20ms);
        last = step.now;
        REQUIRE_FALSE(step.scans.empty());
        ++(step.number < trip ? before : after);
    }
    CHECK(reader.complete());
    CHECK(before >= 500);  // 10 s of 20 ms
    CHECK(before <= 551);
    CHECK(after == 251);  // 5 s of 20 ms, and the trip's own

    const ctl::ReplayReport report = replay(text);
    CHECK(report.trouble == "");
    CHECK(report.complete);
    CHECK(report.checked);
    CHECK(report.not_reproduced == 0);
    CHECK(report.differing_steps == 0);
    CHECK(report.recorded_inhibit_step == trip);
    CHECK(report.replayed_inhibit_step == trip);
    CHECK(*report.replayed_inhibit_s == 0.0);
    CHECK(station.recorder.differing() == 0);
    CHECK(station.recorder.lost() == 0);
}

TEST_CASE("a capture of the first format is read, and decided as it was") {
    // Written by the program as it was before the format changed, with a contactor that its trip opened.
    std::ifstream in{DEKEYD_SOURCE_DIR "/tests/recorder/format-1.csv"};
    const ctl::ReplayReport report = ctl::replay(in, nullptr);
    CHECK(report.trouble == "");
    CHECK(report.complete);
    CHECK(report.checked);
    CHECK(report.steps > 100);
    CHECK(report.not_reproduced == 0);
    REQUIRE(report.recorded_inhibit_s);
    CHECK(report.replayed_inhibit_step == report.recorded_inhibit_step);
}

TEST_CASE("a decision that is not the recorded one is said, also with the recording's own configuration") {
    std::ifstream in{DEKEYD_SOURCE_DIR "/tests/recorder/format-1.csv"};
    formats::CaptureReader reader{in};
    const formats::Loaded own = formats::load_configuration(reader.header().configuration, reader.header().folder);
    REQUIRE(own.configuration);
    for (const bool other_contactor : {false, true}) {
        in.clear();
        in.seekg(0);
        formats::CaptureReader again{in};
        formats::CaptureWriter writer{own.configuration->plan, again.header().origin};
        writer.begin(again.header());
        formats::RecordedStep step;
        for (std::size_t i = 0; again.next(step); ++i) {
            bool& decided = other_contactor ? step.contactor : step.permit;
            if (i == 50) decided = !decided;
            writer.add(step, nullptr);
        }
        writer.end();
        const ctl::ReplayReport report = replay(writer.text());
        CHECK(report.trouble == "");
        CHECK(report.checked);
        CHECK(report.not_reproduced >= 1);
        if (!other_contactor) CHECK(report.differing_steps >= 1);
    }
}

TEST_CASE("the second opinion's objection is a first cause with its capture, and replays to the same steps") {
    Station station;
    station.run(6s);
    station.amplifier.forward_w = 100.0;
    station.amplifier.reflected_w = 0.5;
    station.run(20s);
    REQUIRE(station.amplifier.guard.snapshot().permit);
    station.amplifier.commands = {{core::CommandKind::objected, core::Origin::none, 0, /*reflected*/ 2}};
    station.run(20ms);
    station.amplifier.forward_w = station.amplifier.reflected_w = 0.0;
    station.run(8s);
    const core::Snapshot& snapshot = station.amplifier.guard.snapshot();
    CHECK(snapshot.state == core::State::latched);
    CHECK(station.amplifier.count(core::EventKind::tripped) == 1);  // and not the line's read-back
    const auto captures = station.take(Record::Kind::capture);
    REQUIRE(captures.size() == 1);
    CHECK(captures[0].name.ends_with("-second-opinion"));
    std::istringstream in{captures[0].text};
    const formats::CaptureReader reader{in};
    CAPTURE(reader.header().cause);
    CHECK(reader.header().cause.starts_with("Tripped: the second opinion: Reflected was beyond its raw bound"));
    const ctl::ReplayReport report = replay(captures[0].text);
    CHECK(report.checked);
    CHECK(report.not_reproduced == 0);
    CHECK(report.differing_steps == 0);
    CHECK(report.replayed_inhibit_step == reader.header().cause_step);
    CHECK(station.recorder.differing() == 0);
}

TEST_CASE("an objection during a proof's permit, which is none of the interlock's, is kept as well") {
    Station station;
    station.run(6s);
    station.amplifier.commands = {{core::CommandKind::hold, core::Origin::local, 1}};
    station.run(1s);
    REQUIRE_FALSE(station.amplifier.guard.snapshot().permit);
    station.amplifier.commands = {{core::CommandKind::objected, core::Origin::none, 0, /*heatsink*/ 0}};
    station.run(8s);
    const auto captures = station.take(Record::Kind::capture);
    REQUIRE(captures.size() == 1);
    CHECK(captures[0].name.ends_with("-second-opinion"));
}

TEST_CASE("another configuration: trips later, never, or by another limit, and the report says when") {
    Station station;
    const std::uint64_t trip = station.trip();
    const std::string text = station.take(Record::Kind::capture).at(0).text;

    // 20 W of 100 W is a VSWR of 2.6 (computed); the limit on reflected power, 12 W, trips after 10 ms in any case.
    const formats::Configuration slower =
        configuration(spoiled(spoiled("qualify: 20 ms\n", "qualify: 60 ms\n"), "qualify: 10 ms", "qualify: 40 ms"));
    const auto later = replay(text, &slower);
    CHECK(later.checked);
    CHECK(later.not_reproduced == 0);
    REQUIRE(later.recorded_inhibit_step == trip);
    CHECK((later.replayed_inhibit_step == 0 || later.replayed_inhibit_step > trip));
    CHECK(later.differing_steps > 0);
    CHECK(*later.first_difference_s == 0.0);

    const formats::Configuration earlier =
        configuration(accepting(spoiled("heatsink, above: 70 degC, clear: 55 degC, qualify: 1 s",
                                        "heatsink, above: 29 degC, clear: 20 degC, qualify: 0 s"),
                                "no-supply-limit, limits.heatsink.above"));
    const auto sooner = replay(text, &earlier);
    REQUIRE(sooner.replayed_inhibit_s);
    CHECK(*sooner.replayed_inhibit_s < -8.0);
    bool named = false;
    for (const auto& happening : sooner.happenings) {
        named = named || (happening.kind == "tripped" && happening.source == "heatsink" && happening.in_replay &&
                          !happening.in_recording);
    }
    CHECK(named);
}

TEST_CASE("a configuration with a sensor that the capture lacks says so, and inhibits") {
    Station station;
    station.trip();
    const formats::Configuration more =
        configuration(spoiled("  supply: {bus: psu",
                              "  current: {bus: psu, address: curr1, measures: current, role: current, allowed_age: "
                              "500 ms}\n  supply: {bus: psu"));
    const auto report = replay(station.take(Record::Kind::capture).at(0).text, &more);
    CHECK(report.missing_sensors == std::vector<std::string>{"current"});
    CHECK(report.replayed_permit_s == 0.0);
}

TEST_CASE("replay is more than a thousand times as fast as life") {
    Station station;
    station.trip();
    const auto report = replay(station.take(Record::Kind::capture).at(0).text);
    MESSAGE("replayed at ", report.length_s / report.took_s, " times real time (two cores, this build)");
    CHECK(report.took_s < report.length_s);
}

TEST_CASE("a transmission is logged with its figures, and how it ended") {
    Station station;
    station.trip();
    const auto rows = station.take(Record::Kind::transmission);
    REQUIRE(rows.size() == 1);
    const auto t = formats::transmission_from_row(rows[0].text);
    REQUIRE(t);
    CHECK(rows[0].name == "2026-03");
    CHECK(t->start_utc == "2026-03-01T06:59:06.000Z");  // 6 s after the start
    CHECK(t->synchronised);
    CHECK(t->length_s == doctest::Approx(20.0).epsilon(0.01));
    CHECK(*t->mean_forward_w == doctest::Approx(100.0).epsilon(0.02));
    CHECK(*t->peak_forward_w == doctest::Approx(100.0).epsilon(0.05));
    CHECK(*t->worst_vswr == doctest::Approx(2.6).epsilon(0.02));  // (1 + sqrt(0.2)) / (1 - sqrt(0.2)), computed
    CHECK(*t->hottest_c == 30.0);
    CHECK(t->energy_wh == doctest::Approx(100.0 * 20.0 / 3600.0).epsilon(0.03));  // computed
    CHECK(t->ended.starts_with("tripped: "));
    CHECK(formats::to_row(*t) == rows[0].text);
    // What the journal, MQTT and the page are told is what the log has, digit by digit.
    REQUIRE(rows[0].transmission);
    CHECK(formats::to_json(*rows[0].transmission) == formats::to_json(*t));
}

TEST_CASE("the hour's figures come once an hour, and what was measured between is in them") {
    Station station;
    station.run(30s);
    station.amplifier.supply_v = 26.0;
    station.run(20ms);
    station.amplifier.supply_v = 28.0;
    CHECK(station.take(Record::Kind::hour).empty());
    station.run(40s);  // past 07:00
    const auto rows = station.take(Record::Kind::hour);
    REQUIRE(rows.size() == 1);
    CHECK(rows[0].name == "2026-03");
    CHECK(rows[0].text.starts_with("2026-03-01T06Z,30,30,30,"));
    CHECK(rows[0].columns.starts_with("hour (UTC),heatsink min (°C),heatsink mean (°C),heatsink max (°C),"));
    CHECK(station.take(Record::Kind::capture).empty());
}

TEST_CASE("lost steps are counted and told in the capture") {
    Station station;
    station.run(6s);
    for (int i = 0; i < 10; ++i) station.amplifier.step();  // the recorder doesn't get them
    station.trip();
    CHECK(station.recorder.lost() == 10);
    const auto report = replay(station.take(Record::Kind::capture).at(0).text);
    CHECK(report.header.lost_before == 10);
}

TEST_CASE("a stop in the middle of a capture keeps what there is") {
    Station station;
    station.run(6s);
    station.amplifier.forward_w = 100.0;
    station.amplifier.reflected_w = 30.0;
    station.run(500ms);
    REQUIRE_FALSE(station.amplifier.guard.snapshot().permit);
    CHECK(station.take(Record::Kind::capture).empty());
    station.recorder.stop();
    REQUIRE(station.take(Record::Kind::capture).size() == 1);
    const auto report = replay(station.take(Record::Kind::capture).at(0).text);
    CHECK(report.complete);
    CHECK(report.not_reproduced == 0);
    CHECK(station.take(Record::Kind::transmission).size() == 1);
}
