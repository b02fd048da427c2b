#include "configuration/delay.hpp"

#include <fmt/format.h>

#include "configuration_sample.hpp"

using namespace dekeyd;
using namespace dekeyd::formats;
using namespace std::chrono_literals;

TEST_CASE("the delay at worst is wait, conversion, qualify and guard") {
    const Loaded loaded = load_configuration(sample_text);
    // Converter: 20 ms period, three slots (forward twice) of 3 ms, guard 20 ms; computed.
    const WorstDelay reflected = worst_delay(*loaded.configuration, limit_of(loaded, "reflected"));
    CHECK(reflected.wait == 20ms);
    CHECK(reflected.conversion == 9ms);
    CHECK(reflected.qualify == 10ms);
    CHECK(reflected.guard == 20ms);
    CHECK(reflected.total() == 59ms);
    CHECK(worst_delay(*loaded.configuration, limit_of(loaded, "vswr")).total() == 69ms);
    // 1-Wire: one sensor of 800 ms, a round begins each second; then its conversion.
    const WorstDelay heat = worst_delay(*loaded.configuration, limit_of(loaded, "heatsink"));
    CHECK(heat.wait == 1s);
    CHECK(heat.conversion == 800ms);
    CHECK(heat.total() == 1s + 800ms + 1s + 20ms);
}

TEST_CASE("thermometers go round without a rest, and each is handed over by itself") {
    const Loaded two = load_configuration(spoiled(
        "  forward:\n    bus",
        "  air: {bus: wire, address: 28-000000000002, measures: temperature, allowed_age: 5 s}\n  forward:\n    bus"));
    REQUIRE(two.configuration);
    const WorstDelay heat = worst_delay(*two.configuration, limit_of(two, "heatsink"));
    CHECK(heat.wait == 1600ms);  // twice 800 ms, as the sampler does it
    CHECK(heat.conversion == 800ms);
}

TEST_CASE("slow conversions stretch the round, and a gate on another bus comes before the look that counts") {
    const Loaded slow =
        load_configuration(spoiled("codes: -32768 .. 32767}", "codes: -32768 .. 32767, conversion: 9 ms}"));
    REQUIRE(slow.configuration);
    CHECK(worst_delay(*slow.configuration, limit_of(slow, "reflected")).wait == 27ms);
    const Loaded gated = load_configuration(
        accepting(spoiled("  reflected: {watch",
                          "  x: {watch: supply, above: 30 V, clear: 29 V, qualify: 0 s, while: {quantity: heatsink, "
                          "above: 45 degC}}\n  reflected: {watch"),
                  ""));
    REQUIRE(gated.configuration);
    // A round of 1 s and a conversion of 0.8 s until the gate is seen to open; then the supply is looked at once
    // more.
    CHECK(worst_delay(*gated.configuration, limit_of(gated, "x")).gate == 1800ms);
    CHECK(worst_delay(*gated.configuration, limit_of(gated, "x")).total() == 1800ms + 100ms + 20ms);
    CHECK(worst_delay(*gated.configuration, limit_of(gated, "vswr")).gate == 0ms);  // of the same scan
}

TEST_CASE("thermometers that convert together are one conversion and a short reading each, in one scan") {
    const auto two = [](std::string_view how) {
        return load_configuration(spoiled(
            spoiled("driver: w1, period: 1 s", fmt::format("driver: w1, period: 1 s, convert_together: yes{}", how)),
            "  forward:\n    bus",
            "  air: {bus: wire, address: 28-000000000002, measures: temperature, allowed_age: 5 s}\n  forward:\n    "
            "bus"));
    };
    const Loaded twelve = two("");
    REQUIRE(twelve.configuration);
    const WorstDelay heat = worst_delay(*twelve.configuration, limit_of(twelve, "heatsink"));
    CHECK(heat.wait == 1s);
    CHECK(heat.conversion == 840ms);  // 800 ms and twice 20 ms
    const Loaded slow = two(", conversion: 1.5 s");
    REQUIRE(slow.configuration);
    CHECK(worst_delay(*slow.configuration, limit_of(slow, "heatsink")).wait == 1540ms);
    CHECK(worst_delay(*slow.configuration, limit_of(slow, "heatsink")).conversion == 1540ms);
    const Loaded nine = two(", bits: 9");
    REQUIRE(nine.configuration);
    CHECK(worst_delay(*nine.configuration, limit_of(nine, "heatsink")).conversion == 184ms);
    // A gate of the same bus is seen by the same look.
    const Loaded gated = load_configuration(spoiled(
        std::string{nine.configuration->text}, "  reflected: {watch",
        "  x: {watch: air, above: 60 degC, clear: 50 degC, qualify: 0 s, while: {quantity: heatsink, above: 45 degC}}\n"
        "  reflected: {watch"));
    REQUIRE(gated.configuration);
    CHECK(worst_delay(*gated.configuration, limit_of(gated, "x")).gate == 0ms);
}
