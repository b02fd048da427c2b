#include "configuration_sample.hpp"
#include "expect_faults.hpp"

using namespace dekeyd;
using namespace dekeyd::formats;

namespace {

std::string with_limit(std::string_view line) {
    return spoiled("  reflected: {watch", "  " + std::string{line} + "\n  reflected: {watch");
}

Loaded vswr_trip(std::string_view level) {
    return load_configuration(spoiled("above: 2.0", "above: " + std::string{level}));
}

}  // namespace

TEST_CASE("clear and warn lie on the safe side of the trip, in both directions; equal is refused") {
    expect_faults(load_configuration(with_limit("x: {watch: supply, above: 30 V, clear: 30 V, warn: 31 V}")),
                  {{49, "limits.x.clear", "the clear level of 30 V is not on the safe side of the trip at 30 V"},
                   {49, "limits.x.warn", "the warn level of 31 V is not on the safe side of the trip at 30 V"}});
    expect_faults(load_configuration(with_limit("x: {watch: supply, below: 20 V, clear: 19 V, warn: 20 V}")),
                  {{49, "limits.x.clear", "the clear level of 19 V is not on the safe side"},
                   {49, "limits.x.warn", "the warn level of 20 V is not on the safe side"}});
    expect_no_faults(
        load_configuration(accepting(with_limit("x: {watch: supply, below: 20 V, clear: 22 V, warn: 21 V}"), "")));
    expect_faults(load_configuration(
                      spoiled("clear: rf off\n    qualify: 20 ms", "clear: rf off\n    warn: 2.0\n    qualify: 20 ms")),
                  {{45, "limits.vswr.warn", "the warn level of 2 is not on the safe side of the trip at 2"}});
}

TEST_CASE("a VSWR trip is above 1 and below what a lost antenna reads behind the feeder") {
    expect_faults(vswr_trip("1.00"), {{43, "limits.vswr.above", "'1.00' is outside 1.2 to 5"}});
    expect_faults(vswr_trip("0.5"), {{43, "limits.vswr.above", "'0.5' is outside"}});
    expect_faults(vswr_trip("-2"), {{43, "limits.vswr.above", "'-2' is outside"}});
    expect_no_faults(vswr_trip("2.0"));
    // Behind 4.77 dB a lost antenna reads VSWR 2.0 (trade facts, computed); behind 0.8 dB it reads 10.9 (computed).
    const std::string long_feeder = spoiled("feeder_loss: 0.8 dB", "feeder_loss: 4.78 dB");
    expect_faults(load_configuration(long_feeder),
                  {{43, "limits.vswr.above", "behind 4.78 dB of feeder a lost antenna reads VSWR 2.00"}});
    expect_no_faults(load_configuration(spoiled(long_feeder, "above: 2.0", "above: 1.9")));
    const std::string accepted = accepting(sample_text, "no-supply-limit, limits.vswr.above");
    expect_faults(load_configuration(spoiled(accepted, "above: 2.0", "above: 10.9")),
                  {{43, "limits.vswr.above", "behind 0.8 dB of feeder a lost antenna reads VSWR 10.89"}});
    expect_no_faults(load_configuration(spoiled(accepted, "above: 2.0", "above: 10.8")));
    expect_no_faults(load_configuration(
        spoiled(spoiled(accepted, "feeder_loss: 0.8 dB", "feeder_loss: 0 dB"), "above: 2.0", "above: 20")));
}

TEST_CASE("return loss and reflection have the same bound") {
    const auto gate = std::string{", while: {quantity: forward, above: 6 W}}"};
    expect_faults(
        load_configuration(accepting(with_limit("x: {watch: return-loss, below: 1.6 dB, clear: rf off" + gate),
                                     "no-supply-limit, limits.x.below")),
        {{49, "limits.x.below", "behind 0.8 dB of feeder a lost antenna reads a return loss of 1.6 dB"}});
    expect_no_faults(load_configuration(with_limit("x: {watch: return-loss, below: 9.5 dB, clear: rf off" + gate)));
    expect_faults(load_configuration(accepting(with_limit("x: {watch: reflection, above: 0.84, clear: rf off" + gate),
                                               "no-supply-limit, limits.x.above")),
                  {{49, "limits.x.above", "behind 0.8 dB of feeder a lost antenna reads 0.832"}});
    expect_faults(load_configuration(with_limit("x: {watch: reflection, above: 1.5, clear: rf off" + gate)),
                  {{49, "limits.x.above", "'1.5' is outside 0.09 to 0.67"}});
}

TEST_CASE("a gate can be seen to be closed, and opens only where the quantity is measurable") {
    const auto gate = [](std::string_view level) {
        return load_configuration(
            spoiled("{quantity: forward, above: 6 W}", "{quantity: forward, above: " + std::string{level} + "}"));
    };
    expect_faults(gate("5.9 W"),
                  {{48, "limits.vswr.while",
                    "the limit would watch from 5.9 W forward, but 'vswr' is not measurable below 6 W"}});
    expect_no_faults(gate("6 W"));
    expect_no_faults(gate("20 W"));
    expect_faults(gate("1 mW"),
                  {{48, "limits.vswr.while", "1 mW is not above the 1.122 mW that 'forward' shows at its floor"},
                   {48, "limits.vswr.while", "the limit would watch from 1 mW forward"}});
    expect_faults(load_configuration(
                      with_limit("x: {watch: supply, above: 30 V, clear: 29 V, while: {quantity: gain, above: 6 dB}}")),
                  {{49, "limits.x.while", "'gain' can't be worked out from what is measured"}});
    // Open while warm, or while forward is low: on a key ramp VSWR is watched before it is measurable.
    for (const std::string_view other : {"quantity: heatsink, above: 40 degC", "quantity: forward, below: 90 W"}) {
        const std::string limit = "x: {watch: vswr, above: 3, clear: rf off, while: {" + std::string{other} + "}}";
        expect_faults(load_configuration(with_limit(limit)),
                      {{49, "limits.x.while",
                        "the gate may stand open on a key ramp, but 'vswr' is not measurable "
                        "below 6 W forward"}});
    }
    expect_no_faults(load_configuration(
        with_limit("x: {watch: vswr, above: 3, clear: rf off, while: {quantity: net-power, above: 10 W}}")));
}

TEST_CASE("quantities that nothing feeds can't be watched") {
    const Loaded loaded = load_configuration(with_limit("x: {watch: compression, above: 1 dB, warn_only: yes}"));
    expect_faults(loaded, {{49, "limits.x.watch", "'compression' can't be worked out from what is measured"}});
    CHECK(loaded.faults[0].expected == "a sensor with 'role: drive' and 'small_signal_gain:' under 'amplifier:'");
    expect_faults(load_configuration(with_limit("x: {watch: dc-power, above: 300 W, clear: 250 W}")),
                  {{49, "limits.x.watch", "'dc-power' can't be worked out from what is measured"}});
}

TEST_CASE("estimates and the signal's cleanliness may warn and never trip") {
    for (const std::string_view quantity :
         {"settling-temperature, above: 90 degC, clear: 80 degC",
          "forecast-temperature, above: 90 degC, clear: 80 degC", "time-to-limit, below: 5 min, clear: 6 min",
          "back-off, above: 1 dB, clear: 0.5 dB", "compression, above: 1 dB, clear: rf off",
          "thermal-resistance, above: 1 K/W, clear: 0.5 K/W"}) {
        CAPTURE(quantity);
        const std::string id{quantity.substr(0, quantity.find(','))};
        const Loaded loaded = load_configuration(with_limit(fmt::format("x: {{watch: {}}}", quantity)));
        expect_faults(loaded, {{49, "limits.x.watch", fmt::format("'{}' may warn, and never trips", id)}});
        CHECK(loaded.faults[0].expected.find("warn_only: yes") != std::string::npos);
    }
    // What they need must be measured all the same.
    expect_faults(load_configuration(with_limit("x: {watch: forecast-temperature, above: 65 degC, warn_only: yes}")),
                  {{49, "limits.x.watch", "'forecast-temperature' can't be worked out from what is measured"}});
}

TEST_CASE("a limit that only warns has a level and an end, and nothing that a trip has") {
    const Loaded loaded = load_configuration(with_limit("x: {watch: supply, below: 24 V, warn_only: yes}"));
    expect_no_faults(loaded);
    const auto& limit = limit_of(loaded, "x");
    CHECK_FALSE(limit.trips);
    CHECK(limit.warn == 24.0);
    CHECK(limit.trip == 24.0);
    CHECK(limit.clear == doctest::Approx(24.72));  // 3 % beyond
    CHECK_FALSE(advised(loaded, "limits.x"));
    const Loaded own =
        load_configuration(with_limit("x: {watch: heatsink, above: 60 degC, clear: 50 degC, warn_only: yes}"));
    expect_no_faults(own);
    CHECK(limit_of(own, "x").clear == 50.0);
    expect_faults(load_configuration(with_limit(
                      "x: {watch: supply, below: 24 V, clear: 23 V, qualify: 1 s, rearm: latched, warn_only: yes}")),
                  {{49, "limits.x.clear", "the clear level of 23 V is not on the safe side"},
                   {49, "limits.x.qualify", "'qualify' on a limit that only warns"},
                   {49, "limits.x.rearm", "'rearm' on a limit that only warns"}});
}

TEST_CASE("an end of the interval needs the directivity that bounds it") {
    const std::string_view level = "above: 2.0\n", edge = "above: 2.0\n    edge: high\n";
    CHECK(limit_of(load_configuration(spoiled(level, edge)), "vswr").edge == core::Edge::high);
    const std::string unknown = spoiled("  directivity: 30 dB\n", "");
    expect_faults(load_configuration(spoiled(unknown, level, edge)),
                  {{43, "limits.vswr.edge", "without directivity the interval reaches"}});
}

TEST_CASE("a trip below the chain's floor would always act, one above its ceiling acts there") {
    // The reflected chain of the sample: -50 dBm + 40 dB = -10 dBm = 100 uW; 5 dBm + 40 dB = 45 dBm = 31.62 W.
    expect_faults(
        load_configuration(spoiled("above: 12 W", "above: 100 uW")),
        {{49, "limits.reflected.above", "100 µW is not above the 100 µW that 'reflected' shows at its floor"}});
    const Loaded high = load_configuration(spoiled("above: 12 W", "above: 40 W"));
    expect_no_faults(high);
    CHECK(advised(high, "limits.reflected: the chain can tell no more than 31.62 W, so it trips there already"));
}

TEST_CASE("advice about a limit's own fields") {
    CHECK(advised(load_configuration(spoiled("clear: 55 degC", "clear: 68 degC")),
                  "limits.heatsink.clear: 68 °C is very near"));
    CHECK_FALSE(advised(load_configuration(spoiled("clear: 55 degC", "clear: 66 degC")), "very near"));
    CHECK(advised(
        load_configuration(spoiled("    hold_off: 1 s\n    rearm: latched", "    hold_off: 1 s\n    rearm: automatic")),
        "limits.vswr.rearm: a VSWR that re-arms by itself"));
    // A perfect load reads up to 1.222 at 20 dB of directivity (trade facts, computed).
    const std::string poor = spoiled("directivity: 30 dB", "directivity: 20 dB");
    CHECK(advised(load_configuration(spoiled(poor, "above: 2.0", "above: 1.2")), "a perfect load may read 1.22"));
    CHECK_FALSE(advised(load_configuration(spoiled(poor, "above: 2.0", "above: 1.3")), "a perfect load"));
}
