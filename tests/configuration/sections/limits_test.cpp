#include "configuration_sample.hpp"
#include "expect_faults.hpp"

using namespace dekeyd;
using namespace dekeyd::formats;
using namespace std::chrono_literals;

namespace {

/// The sample with one more limit, on line 49.
std::string with_limit(std::string_view line) {
    const std::string text = spoiled("  reflected: {watch", "  " + std::string{line} + "\n  reflected: {watch");
    const bool of_supply = line.find("watch: supply") != line.npos && line.find("warn_only") == line.npos;
    return of_supply ? accepting(text, "") : text;
}

}  // namespace

TEST_CASE("a limit as written") {
    const Loaded loaded = load_configuration(sample_text);
    const core::LimitPlan& heatsink = limit_of(loaded, "heatsink");
    CHECK(heatsink.watch == 0);
    CHECK(heatsink.direction == core::Direction::above);
    CHECK(heatsink.trip == 70.0);
    CHECK(heatsink.clear == 55.0);
    CHECK(heatsink.clear_by == core::ClearBy::level);
    CHECK(heatsink.qualify == 1s);
    CHECK(heatsink.hold_off == 30s);
    CHECK(heatsink.rearm == core::Rearm::automatic);
    CHECK(heatsink.counted);
    CHECK_FALSE(heatsink.gate);
    const core::LimitPlan& vswr = limit_of(loaded, "vswr");
    CHECK(vswr.watch == loaded.configuration->plan.index(core::Derived::vswr));
    CHECK(vswr.clear_by == core::ClearBy::rf_off);
    REQUIRE(vswr.gate);
    CHECK(vswr.gate->quantity == *loaded.configuration->plan.roles.forward);
    CHECK(vswr.gate->level == 6.0);
    CHECK(vswr.name == "VSWR too high");
}

TEST_CASE("one direction") {
    expect_faults(load_configuration(with_limit("x: {watch: supply, above: 30 V, below: 20 V, clear: 25 V}")),
                  {{49, "limits.x.below", "both 'above' and 'below'"}});
    expect_faults(load_configuration(with_limit("x: {watch: supply, clear: 25 V}")),
                  {{49, "limits.x.above", "neither 'above' nor 'below'"}});
    expect_faults(load_configuration(with_limit("x: {watch: supply, trip: 30 V}")),
                  {{49, "limits.x.above", "neither 'above' nor 'below'"},
                   {49, "limits.x.trip", "the key 'trip' is not known here"}});
    expect_faults(load_configuration(spoiled("{quantity: forward, above: 6 W}", "{quantity: forward}")),
                  {{48, "limits.vswr.while.above", "neither 'above' nor 'below'"}});
}

TEST_CASE("clear by RF off needs a way to see it") {
    expect_faults(load_configuration(spoiled("    role: forward\n", "")),
                  {{21, "sensors.reflected", "reflected power is measured and forward power is not"},
                   {41, "limits.vswr.watch", "'vswr' can't be worked out from what is measured"},
                   {43, "limits.vswr.clear", "'rf off' without a forward sensor"},
                   {48, "limits.reflected.clear", "'rf off' without a forward sensor"}});
}

TEST_CASE("times and words of a limit") {
    expect_faults(load_configuration(with_limit("x: {watch: supply, above: 30 V, clear: 29 V, qualify: -1 ms, "
                                                "hold_off: 0 s, rearm: auto, counted: often}")),
                  {{49, "limits.x.qualify", "'-1 ms' is negative"},
                   {49, "limits.x.hold_off", "'0 s' is not above zero"},
                   {49, "limits.x.rearm", "'auto' is none of the words"},
                   {49, "limits.x.counted", "'often' is none of the words"}});
    const Loaded loaded =
        load_configuration(with_limit("x: {watch: supply, above: 30 V, clear: 29 V, qualify: 0 s, hold_off: 1 s, "
                                      "rearm: automatic, counted: no, edge: high}"));
    expect_no_faults(loaded);
    CHECK(limit_of(loaded, "x").qualify == core::Duration{0});
    CHECK_FALSE(limit_of(loaded, "x").counted);
    CHECK(limit_of(loaded, "x").edge == core::Edge::high);
    CHECK_FALSE(advised(loaded, "limits.x"));
}

TEST_CASE("defaults within a written limit act, and are named until confirmed") {
    const Loaded loaded = load_configuration(
        spoiled("{watch: heatsink, above: 70 degC, clear: 55 degC, qualify: 1 s, hold_off: 30 s, rearm: automatic}",
                "{watch: heatsink}"));
    expect_no_faults(loaded);
    const core::LimitPlan& limit = limit_of(loaded, "heatsink");
    CHECK(limit.trip == 70.0);
    CHECK(limit.clear == 55.0);
    CHECK(limit.qualify == 1s);
    CHECK(limit.hold_off == 30s);
    CHECK(limit.rearm == core::Rearm::automatic);
    CHECK(advised(loaded,
                  "limits.heatsink: default not confirmed: above: 70 °C, clear: 55 °C, qualify: 1 s, hold_off: 30 s, "
                  "rearm: automatic"));
}

TEST_CASE("a quantity without defaults must have its clear level written") {
    expect_faults(load_configuration(with_limit("x: {watch: supply, above: 30 V}")),
                  {{49, "limits.x.clear", "'clear' is missing"}});
}

TEST_CASE("no limits at all") {
    const std::string text{sample_text};
    const std::size_t limits = text.find("limits:"), mqtt = text.find("mqtt:");
    expect_faults(load_configuration(text.substr(0, limits) + text.substr(mqtt)),
                  {{1, "limits", "'limits' is missing"}});
    expect_faults(load_configuration(text.substr(0, limits) + "limits: {}\n" + text.substr(mqtt)),
                  {{39, "limits", "there is no limit, so nothing would be protected"}});
}

TEST_CASE("a limit on a sensor that is itself at fault adds no fault") {
    expect_faults(load_configuration(spoiled("measures: voltage, role: supply", "measures: volts")),
                  {{31, "sensors.supply.measures", "'volts' is none of the words"}});
    expect_faults(load_configuration(spoiled(with_limit("x: {watch: supply, above: 30 V, clear: 29 V}"),
                                             "measures: voltage, role: supply", "measures: volts")),
                  {{31, "sensors.supply.measures", "'volts' is none of the words"}});
}

TEST_CASE("a limit whose level follows from a figure that was refused has no fault of its own") {
    const auto faults = [](std::string_view rated) {
        std::string text = spoiled("  reflected: {watch: reflected, above: 12 W, ", "  reflected: {watch: reflected, ");
        return load_configuration(spoiled(text, "  rated_forward: 120 W\n", rated)).faults;
    };
    for (const std::string_view odd : {"  rated_forward: 120\n", "  rated_forward: 120 w\n", ""}) {
        CAPTURE(odd);
        const auto found = faults(odd);
        REQUIRE(found.size() == 1);
        CHECK(found[0].key == "amplifier.rated_forward");
    }
    CHECK(faults("  rated_forward: 120 W\n").empty());
    // Where nothing else was refused, a level that is missing is said.
    const Loaded bare = load_configuration(spoiled("mqtt:", "  x: {watch: net-power}\nmqtt:"));
    REQUIRE(bare.faults.size() == 1);
    CHECK(bare.faults[0].what.find("the trip level is missing") != std::string::npos);
}

TEST_CASE("the heatsink's provisional limit isn't missed where its own limit is what is wrong") {
    const Loaded loaded =
        load_configuration(spoiled(with_more("commissioning: {time: 20 min}\n"), "watch: heatsink", "watch: heatsnk"));
    REQUIRE(loaded.faults.size() == 1);
    CHECK(loaded.faults[0].key == "limits.heatsink.watch");
}
