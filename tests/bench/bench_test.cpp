#include "bench/bench.hpp"

#include <doctest/doctest.h>

#include <cmath>
#include <string>

using namespace bench;
using doctest::Approx;

namespace {

constexpr std::int64_t epoch_ns = 5'000'000'000;
constexpr std::int64_t ms = 1'000'000;

/// The number after "name": in a line of JSON.
double field(const std::string& json, const std::string& name) {
    const std::size_t at = json.find("\"" + name + "\":");
    REQUIRE(at != std::string::npos);
    return std::stod(json.substr(at + name.size() + 3));
}

bool says(const std::string& json, const std::string& text) {
    return json.find(text) != std::string::npos;
}

struct Running {
    Bench bench{1, epoch_ns};
    Running() {
        REQUIRE(bench.command("key on").empty());
        bench.line(true);
        bench.advance_to(epoch_ns + 500 * ms);
        REQUIRE(bench.amplifier().truth().rf);
    }
};

}  // namespace

TEST_CASE("closed loop: the line inhibits, and the stamps tell how long RF took to go") {
    Running running;
    running.bench.line(false);
    running.bench.advance_to(epoch_ns + 600 * ms);
    const std::string status = running.bench.status();
    CHECK(field(status, "last_line_change_ns") == 5.5e9);
    CHECK(field(status, "last_inhibit_ns") == 5.5e9);
    CHECK(field(status, "rf_gone_ns") - field(status, "last_inhibit_ns") == 8e6);  // the relay's release time
    CHECK(says(status, "\"permit\":false"));
    CHECK(says(status, "\"rf\":false"));
    CHECK(field(status, "inhibits") == 1);
    running.bench.line(false);
    CHECK(field(running.bench.status(), "inhibits") == 1);
}

TEST_CASE("status before anything happened: stamps of -1, all numbers finite") {
    Bench bench;
    const std::string status = bench.status();
    CHECK(field(status, "rf_gone_ns") == -1);
    CHECK(field(status, "last_line_change_ns") == -1);
    CHECK(field(status, "mark_ns") == -1);
    CHECK_FALSE(says(status, "nan"));
    CHECK_FALSE(says(status, "inf"));
    CHECK(status.find('\n') == std::string::npos);
    bench.command("antenna open");
    bench.command("supply 0 V");
    bench.command("key on");
    bench.line(true);
    bench.advance_to(200 * ms);
    CHECK_FALSE(says(bench.status(), "nan"));
    CHECK_FALSE(says(bench.status(), "inf"));
    CHECK(field(bench.status(), "forward_w") < 0.001);  // what the sagging supply still holds
    CHECK(field(bench.status(), "current_a") == 0.0);
}

TEST_CASE("each command does what it says") {
    Running running;
    Bench& bench = running.bench;
    const auto after = [&](const char* command, const char* name, double seconds) {
        CHECK(bench.command(command) == "");
        bench.advance_to(bench.now_ns() + static_cast<std::int64_t>(seconds * 1e9));
        return field(bench.status(), name);
    };
    CHECK(after("drive 2.0 W", "drive_w", 0.1) == Approx(2.0));
    CHECK(after("antenna vswr 3", "antenna_vswr", 0.01) == Approx(3.0));
    CHECK(after("antenna open", "antenna_vswr", 0.01) == 1e6);
    CHECK(after("antenna open", "vswr", 0.01) == Approx(10.89).epsilon(0.001));  // 10^-0.08 reflected, computed
    CHECK(after("antenna short", "antenna_vswr", 0.01) == 1e6);
    CHECK(after("antenna wet", "antenna_vswr", 0.01) == Approx(5.0));
    CHECK(after("antenna good over 2 s", "antenna_vswr", 1.0) > 1.5);
    CHECK(after("antenna good", "antenna_vswr", 0.01) == Approx(1.15));
    const double supply_v = after("supply 24 V", "supply_v", 2.0);
    CHECK(supply_v == Approx(24.0 - 0.05 * bench.amplifier().truth().current_a).epsilon(1e-4));
    CHECK(after("ambient 35 C", "ambient_c", 0.01) == 35.0);
    CHECK(after("fan stop", "fan_rpm", 10.0) == 0.0);
    CHECK(after("fan run", "fan_rpm", 20.0) == Approx(2400.0));
    CHECK(after("thermal-speed 1000", "heatsink_c", 10.0) > 50.0);
    CHECK(after("key off", "forward_w", 0.1) == 0.0);
    CHECK(after("key off", "current_a", 0.1) == Approx(0.35));
}

TEST_CASE("commands set the faults") {
    Bench bench;
    for (const char* command : {"sensor heatsink absent", "sensor air 85", "adc railed", "psu stuck", "fan garbage",
                                "detector reflected unplugged"}) {
        CHECK(bench.command(command) == "");
    }
    CHECK(bench.faults().heatsink == SensorFault::absent);
    CHECK(bench.faults().air == SensorFault::power_on);
    CHECK(bench.faults().adc == ChipFault::railed);
    CHECK(bench.faults().psu == ChipFault::stuck);
    CHECK(bench.faults().fan == ChipFault::garbage);
    CHECK(bench.faults().unplugged[reflected]);
    CHECK(bench.command("detector reflected good") == "");
    CHECK_FALSE(bench.faults().unplugged[reflected]);
    CHECK(bench.command("contact emergency-stop open") == "");
    CHECK_FALSE(bench.amplifier().registers().emergency_closed);
    CHECK(bench.command("contact lid open") == "");
    CHECK_FALSE(bench.amplifier().registers().lid_closed);
    CHECK(bench.command("relay welded") == "");
}

TEST_CASE("RF on a sensor's cable spoils two readings of five while there is RF, and none otherwise") {
    Running running;
    Bench& bench = running.bench;
    CHECK(bench.command("sensor air rf-noise") == "");
    int spoilt = 0;
    for (int second = 0; second < 200; ++second) {
        bench.advance_to(bench.now_ns() + 1000 * ms);
        if (bench.showing().air == SensorFault::crc) ++spoilt;
        CHECK(bench.showing().heatsink == SensorFault::good);
    }
    CHECK(spoilt > 52);  // four standard deviations of a binomial about 80 (computed)
    CHECK(spoilt < 108);
    bench.command("key off");
    for (int second = 0; second < 50; ++second) {
        bench.advance_to(bench.now_ns() + 1000 * ms);
        CHECK(bench.showing().air == SensorFault::good);
    }
    CHECK(bench.faults().air == SensorFault::rf_noise);
}

TEST_CASE("a wrong command changes nothing and says what was expected") {
    Bench bench;
    for (const char* command : {"",
                                "  ",
                                "key",
                                "key maybe",
                                "key on on",
                                "drive",
                                "drive -1 W",
                                "drive nan",
                                "drive 2 V",
                                "drive 2 W W",
                                "drive 1e9",
                                "antenna",
                                "antenna soggy",
                                "antenna vswr",
                                "antenna vswr 0.5",
                                "antenna open over",
                                "fan",
                                "antenna good over -1 s",
                                "antenna good better",
                                "fan fly",
                                "ambient 500",
                                "supply -3",
                                "thermal-speed 0",
                                "relay",
                                "contact lid",
                                "contact door open",
                                "sensor heatsink",
                                "sensor boiler good",
                                "sensor heatsink ill",
                                "adc",
                                "adc ill",
                                "detector up good",
                                "detector forward loose",
                                "mark",
                                "mark vswr",
                                "mark vswr above",
                                "mark beauty above 2",
                                "mark vswr beside 2",
                                "selfdestruct",
                                "status now"}) {
        CAPTURE(command);
        CHECK(bench.command(command).find("expected ") == 0);
    }
    CHECK(field(bench.status(), "last_command_ns") == -1);
    CHECK(bench.take_events().empty());
}

TEST_CASE("answers are one line of JSON, whatever the command holds") {
    Bench bench{1, epoch_ns};
    CHECK(bench.answer("key on") == R"({"ok":true,"at_ns":5000000000})");
    CHECK(says(bench.answer("status"), "\"keyed\":true"));
    const std::string answer = bench.answer("no\"such\\thing\x01\xff");
    CHECK(answer.find("{\"ok\":false,\"error\":\"expected ") == 0);
    CHECK(says(answer, R"(no\"such\\thing??)"));
}

TEST_CASE("a mark is stamped when a creeping quantity first passes it") {
    Running running;
    Bench& bench = running.bench;
    CHECK(bench.command("mark vswr above 2.0") == "");
    CHECK(bench.command("antenna vswr 4 over 10 s") == "");
    bench.advance_to(bench.now_ns() + 11'000 * ms);
    const double mark_ns = field(bench.status(), "mark_ns");
    // |reflection| goes from .0698 to .6 in 10 s in phase; 2.0 at the coupler is .3333 / 10^-0.08 = .4007 (computed).
    CHECK((mark_ns - 5.5e9) * 1e-9 == Approx(10.0 * (0.4007 - 0.0698) / (0.6 - 0.0698)).epsilon(0.002));
    bench.advance_to(bench.now_ns() + 1000 * ms);
    CHECK(field(bench.status(), "mark_ns") == mark_ns);
    CHECK(bench.command("mark forward_w below 1000") == "");
    bench.advance_to(bench.now_ns() + 10 * ms);
    CHECK(field(bench.status(), "mark_ns") > mark_ns);
    CHECK(bench.command("mark off") == "");
    CHECK(field(bench.status(), "mark_ns") == -1);
}

TEST_CASE("events, in order, once") {
    Running running;
    Bench& bench = running.bench;
    bench.line(false);
    bench.advance_to(bench.now_ns() + 100 * ms);
    std::string kinds;
    for (const Event& event : bench.take_events()) kinds += event.kind + ";";
    CHECK(kinds == "command;line permits;RF came;line inhibits;RF gone;");
    CHECK(bench.take_events().empty());
    CHECK(json_of({7, "command", "a \"b\""}) == R"({"at_ns":7,"kind":"command","text":"a \"b\""})");
}
