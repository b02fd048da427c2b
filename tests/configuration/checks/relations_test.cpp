// Values that no station means: alone they can be read, and beside each other, or beside the amplifier, they make no
// sense.
#include <doctest/doctest.h>

#include "configuration/configuration.hpp"
#include "configuration_sample.hpp"
#include "expect_faults.hpp"
#include "stations.hpp"

using namespace dekeyd::formats;

namespace {

/// Whether `from` changed to `to` makes a fault whose key is `key`, and the station without the change none.
void refused(std::string_view station, std::string_view from, std::string_view to, std::string_view key) {
    const std::string text = spoiled(station, from, to);
    const Loaded loaded = load_configuration(text);
    std::string all;
    for (const auto& fault : loaded.faults) all += shown(fault) + "\n";
    CAPTURE(all);
    CAPTURE(to);
    CHECK_FALSE(loaded.configuration);
    CHECK(std::any_of(loaded.faults.begin(), loaded.faults.end(), [&](const Fault& f) { return f.key == key; }));
}

}  // namespace

TEST_CASE("a section that is misspelt is told alone, not with all that follows from it") {
    for (const char* section : {"sensors", "buses", "amplifier"}) {
        CAPTURE(section);
        const std::string right = std::string{"\n"} + section + ":";
        const std::string wrong = std::string{"\n"} + section + "x:";
        const Loaded loaded = load_configuration(spoiled(right.c_str(), wrong.c_str()));
        REQUIRE(loaded.faults.size() == 1);
        CHECK(loaded.faults[0].what == std::string{"the key '"} + section + "x' is not known here");
        CHECK(loaded.faults[0].expected == std::string{"did you mean '"} + section + "'?");
    }
}

TEST_CASE("the two stations have no fault") {
    expect_no_faults(load_configuration(five_watts));
    expect_no_faults(load_configuration(one_kilowatt));
}

TEST_CASE("values that no station means are refused on both stations") {
    refused(one_kilowatt, "role: heatsink, allowed_age: 5 s", "role: heatsink, allowed_age: 30 d",
            "sensors.heatsink.allowed_age");
    refused(one_kilowatt, "rf_present: 5 W", "rf_present: 49 W", "amplifier.rf_present");
    refused(one_kilowatt, "rf_present: 5 W", "rf_present: 50 W", "amplifier.rf_present");
    refused(one_kilowatt, "minimum_forward: 50 W, rf_present: 5 W", "minimum_forward: 990 W, rf_present: 990 W",
            "amplifier.minimum_forward");
    refused(one_kilowatt, "drive_absent: 100 mW", "drive_absent: 4.99 W", "amplifier.drive_absent");
    refused(one_kilowatt, "above: 100 W, clear: rf off, qualify: 20 ms", "above: 100 W, clear: rf off, qualify: 10 h",
            "limits.reflected.qualify");
    refused(one_kilowatt, "hold_off: 1 min, rearm: automatic",
            "hold_off: 1 min, rearm: automatic, while: {quantity: forward, above: 990 W}", "limits.heatsink.while");
    refused(five_watts, "deadline: 50 ms", "deadline: 30 d", "guard.deadline");
    refused(five_watts, "trips: 3, window: 10 min", "trips: 100, window: 1 ms", "lockout.trips");
    refused(five_watts, "trips: 3, window: 10 min", "trips: 100, window: 1 ms", "lockout.window");
    refused(one_kilowatt, "clear: 60 degC, qualify: 1 s, hold_off: 1 min, rearm: automatic", "warn_only: yes",
            "limits");
    refused(one_kilowatt, "above: 75 degC", "above: 125 degC", "limits.heatsink.above");
    refused(one_kilowatt, "role: drive, allowed_age: 100 ms, valid: 0.3 V .. 2.6 V",
            "role: drive, allowed_age: 100 ms, valid: 0.3 V .. 0.5 V", "sensors.drive.valid");
    refused(five_watts, "slope: -22 mV/dB", "slope: 22 mV/dB", "sensors.forward.detector.slope");
}

TEST_CASE("at the edge of each relation") {
    expect_no_faults(load_configuration(spoiled(one_kilowatt, "rf_present: 5 W", "rf_present: 25 W")));
    refused(one_kilowatt, "rf_present: 5 W", "rf_present: 25.1 W", "amplifier.rf_present");
    expect_no_faults(load_configuration(spoiled(one_kilowatt, "drive_absent: 100 mW", "drive_absent: 1.25 W")));
    refused(one_kilowatt, "drive_absent: 100 mW", "drive_absent: 1.26 W", "amplifier.drive_absent");
    const auto gated = [](std::string_view level) {
        return spoiled(
            one_kilowatt, "hold_off: 1 min, rearm: automatic",
            "hold_off: 1 min, rearm: automatic, while: {quantity: forward, above: " + std::string{level} + "}");
    };
    expect_no_faults(load_configuration(gated("500 W")));
    CHECK_FALSE(load_configuration(gated("501 W")).configuration);
    // Ten trips are nine times the quickest: its hold-off and its qualify time, 5.02 s; or 7.02 s, 63.2 s in all.
    const std::string lockout = std::string{one_kilowatt} + "lockout: {window: 1 min, trips: 10}\n";
    expect_no_faults(load_configuration(lockout));
    const std::string drive = "clear: 4 W, qualify: 20 ms, hold_off: ", supply = "qualify: 100 ms, hold_off: ";
    const std::string slow = spoiled(lockout, drive + "5 s", drive + "7 s");
    expect_no_faults(load_configuration(slow));  // the supply's still trips again after 5.1 s
    refused(slow, supply + "5 s", supply + "7 s", "lockout.window");
}

TEST_CASE("a hazard that no limit watches is accepted by name, and then said") {
    const std::string without =
        spoiled(one_kilowatt,
                "  supply-high: {watch: supply, above: +10 %, clear: +5 %, qualify: 100 ms, hold_off: 5 s, "
                "rearm: automatic}\n",
                "");
    const Loaded refused_one = load_configuration(without);
    REQUIRE(refused_one.faults.size() == 1);
    CHECK(refused_one.faults[0].expected.find("accept: [no-supply-limit]") != std::string::npos);
    const Loaded loaded = load_configuration(without + "accept: [no-supply-limit]\n");
    expect_no_faults(loaded);
    REQUIRE(loaded.configuration->accepted.size() == 1);
    CHECK(loaded.configuration->accepted[0].word == "no-supply-limit");
    bool told = false;
    for (const std::string& sentence : summarise(*loaded.configuration))
        told = told || sentence.find("no limit trips on the supply") != std::string::npos;
    CHECK(told);
}

TEST_CASE("too many limits are one fault") {
    std::string text{one_kilowatt};
    for (int i = 0; i < 70; ++i)
        text += "  x" + std::to_string(i) + ": {watch: supply, above: 55 V, clear: 54 V, qualify: 100 ms}\n";
    const Loaded loaded = load_configuration(text);
    REQUIRE(loaded.faults.size() == 1);
    CHECK(loaded.faults[0].key == "limits");
    CHECK(loaded.faults[0].expected == "at most 64");
}

TEST_CASE("a station on which every sensor may be lost is refused") {
    std::string text{one_kilowatt};
    for (std::size_t at = 0; (at = text.find("allowed_age", at)) != std::string::npos; at += 25)
        text.insert(at, "required: no, ");
    const Loaded loaded = load_configuration(text);
    CHECK_FALSE(loaded.configuration);
}
