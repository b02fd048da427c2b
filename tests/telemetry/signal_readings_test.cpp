// What a receiver's number is worth, at its edges.
#include "telemetry/received/signal_readings.hpp"

#include <doctest/doctest.h>

#include <string>

#include "sample_plan.hpp"

using namespace dekeyd;
using namespace std::chrono_literals;
using formats::ReceivedState;
using formats::SignalMeasure;

namespace {

constexpr core::Instant start{1000s};  ///< of the transmission

formats::SignalConfig both() {
    return {formats::ReceivedConfig{"receiver/shoulders", 40.0, 30s},
            formats::ReceivedConfig{"receiver/mer", 20.0, 5s}};
}

struct Receiver {
    SignalReadings readings{both()};
    core::Snapshot snapshot = core::Protection::blank(test::sample_plan());
    bool guard_answers = true;

    Receiver() {
        snapshot.transmitting_since = start;
        snapshot.rf_present = true;
    }
    void come(std::string_view payload, core::Instant at, bool kept = false) {
        readings.take(SignalMeasure::shoulder_attenuation,
                      {.payload = payload, .at = at, .kept = kept, .with_rf = snapshot.rf_present});
    }
    formats::ReceivedMeasure told(core::Instant now) {
        return readings.report(guard_answers, snapshot, now).measures[0].value();
    }
    std::string state(core::Instant now) { return std::string{formats::received_words.of(told(now).state)}; }
};

}  // namespace

TEST_CASE("a payload is one plain decimal number in dB") {
    CHECK(read_decibels("42") == 42.0);
    CHECK(read_decibels("42.5") == 42.5);
    CHECK(read_decibels("-3.25") == -3.25);
    CHECK(read_decibels("0") == 0.0);
    CHECK(read_decibels("-0.0") == 0.0);
    CHECK(read_decibels("007") == 7.0);
    CHECK(read_decibels("120") == 120.0);
    CHECK(read_decibels("-20") == -20.0);
    CHECK(read_decibels("42.00000000000000").has_value() == false);  // 17 bytes
    CHECK(read_decibels("42.0000000000000") == 42.0);                // 16
    for (const std::string_view text : {"",
                                        " ",
                                        "-",
                                        ".",
                                        "-.",
                                        "42 ",
                                        " 42",
                                        "42\n",
                                        "42 dB",
                                        "42,5",
                                        "+42",
                                        ".5",
                                        "5.",
                                        "-.5",
                                        "4.2.1",
                                        "4-2",
                                        "--4",
                                        "1e1",
                                        "1E1",
                                        "0x10",
                                        "nan",
                                        "NaN",
                                        "inf",
                                        "-inf",
                                        "infinity",
                                        "120.1",
                                        "-20.1",
                                        "1000000",
                                        "null",
                                        "{\"a\":1}",
                                        "\xef\xbb\xbf"
                                        "42",
                                        "\xe2\x88\x92"
                                        "3",
                                        "\xff\xfe"}) {
        CAPTURE(text);
        CHECK_FALSE(read_decibels(text).has_value());
    }
    CHECK_FALSE(read_decibels(std::string_view{"42\0", 3}).has_value());
    CHECK_FALSE(read_decibels(std::string(100'000, '1')).has_value());
}

TEST_CASE("nothing is known before the first, and then its age counts: the last nanosecond still does") {
    Receiver receiver;
    CHECK(receiver.state(start) == "awaited");
    receiver.come("42.5", start + 1s);
    CHECK(receiver.state(start + 1s) == "good");
    CHECK(receiver.told(start + 1s).value_db == 42.5);
    CHECK(receiver.state(start + 31s) == "good");
    CHECK(receiver.told(start + 31s).age_at_most == 30s);
    CHECK(receiver.state(start + 31s + 1ns) == "stale");
    CHECK_FALSE(receiver.told(start + 31s + 1ns).value_db);
    CHECK_FALSE(receiver.told(start + 31s + 1ns).age_at_most);
    receiver.come("42.5", start + 40s);
    CHECK(receiver.state(start + 40s) == "good");
}

TEST_CASE("an age is told in steps, never as less than it is") {
    Receiver receiver;
    receiver.come("42.5", start);
    CHECK(receiver.told(start).age_at_most == 5s);
    CHECK(receiver.told(start + 5s).age_at_most == 5s);
    CHECK(receiver.told(start + 5s + 1ns).age_at_most == 10s);
    CHECK(receiver.told(start + 25s + 1ns).age_at_most == 30s);
    // Of 5 s: steps of a whole second.
    receiver.readings.take(SignalMeasure::modulation_error_ratio,
                           {.payload = "25", .at = start, .kept = false, .with_rf = true});
    CHECK(receiver.readings.report(true, receiver.snapshot, start + 4s + 1ms).measures[1]->age_at_most == 5s);
    CHECK(receiver.readings.report(true, receiver.snapshot, start + 4s).measures[1]->age_at_most == 4s);
}

TEST_CASE("what isn't a number is said, and the number before it is gone") {
    Receiver receiver;
    receiver.come("42.5", start + 1s);
    receiver.come("n/a", start + 2s);
    CHECK(receiver.state(start + 2s) == "unreadable");
    CHECK_FALSE(receiver.told(start + 2s).value_db);
    CHECK(receiver.state(start + 32s) == "unreadable");
    CHECK(receiver.state(start + 33s) == "stale");
    receiver.come("41", start + 34s);
    CHECK(receiver.state(start + 34s) == "good");
}

TEST_CASE("what the broker kept is of unknown age until one comes that it didn't, and warns of nothing") {
    Receiver receiver;
    receiver.come("3", start + 1s, true);
    CHECK(receiver.state(start + 1s) == "of unknown age");
    CHECK(receiver.told(start + 1s).value_db == 3.0);
    CHECK_FALSE(receiver.told(start + 1s).age_at_most);
    CHECK_FALSE(receiver.told(start + 1s).warns);
    CHECK(receiver.state(start + 31s) == "of unknown age");
    CHECK(receiver.state(start + 32s) == "stale");  // since it came it is too old at least
    receiver.come("3", start + 33s);
    CHECK(receiver.told(start + 33s).warns);
    receiver.come("50", start + 34s, true);  // after a reconnect: nothing is known which of both is newer
    CHECK(receiver.state(start + 34s) == "of unknown age");
}

TEST_CASE("a number counts in the transmission during which it came, and in no other") {
    Receiver receiver;
    receiver.snapshot.transmitting_since.reset();
    receiver.snapshot.rf_present = false;
    receiver.come("2", start - 1s);
    CHECK(receiver.state(start - 1s) == "not of this transmission");
    CHECK(receiver.told(start - 1s).value_db == 2.0);
    CHECK_FALSE(receiver.told(start - 1s).warns);
    receiver.snapshot.transmitting_since = start;
    receiver.snapshot.rf_present = true;
    CHECK(receiver.state(start + 1s) == "not of this transmission");  // of the noise before
    receiver.come("2", start);
    CHECK(receiver.state(start) == "good");
    CHECK(receiver.told(start).warns);
    // Of the transmission before.
    receiver.come("2", start - 1ns);
    CHECK(receiver.state(start) == "not of this transmission");
    // In a pause of speech, or at its very end.
    receiver.snapshot.rf_present = false;
    receiver.come("2", start + 2s);
    CHECK(receiver.state(start + 2s) == "not of this transmission");
    receiver.snapshot.rf_present = true;
    receiver.come("42", start + 3s);
    receiver.guard_answers = false;
    CHECK(receiver.state(start + 3s) == "not of this transmission");
    CHECK_FALSE(receiver.readings.report(false, receiver.snapshot, start + 3s).guard_answers);
}

TEST_CASE("a warning: below its level, and until it is a decibel better") {
    Receiver receiver;
    const auto warns = [&](const char* payload) {
        receiver.come(payload, start + 1s);
        const bool one = receiver.told(start + 1s).warns;
        CHECK(receiver.readings.report(true, receiver.snapshot, start + 1s).warns() == one);
        return one;
    };
    CHECK_FALSE(warns("40.0"));
    CHECK(warns("39.99"));
    CHECK(warns("40.0"));
    CHECK(warns("40.99"));
    CHECK_FALSE(warns("41.0"));
    CHECK_FALSE(warns("40.0"));
    CHECK(warns("39"));
    // One that can't be read ends the warning, but not what the next one must reach.
    CHECK_FALSE(warns("x"));
    CHECK(warns("40.5"));
    // Another transmission begins anew.
    receiver.snapshot.transmitting_since = start + 1s;
    CHECK_FALSE(warns("40.5"));
}

TEST_CASE("a warning is over where its number is too old") {
    Receiver receiver;
    receiver.come("39", start);
    CHECK(receiver.told(start + 30s).warns);
    CHECK_FALSE(receiver.told(start + 30s + 1ns).warns);
}
