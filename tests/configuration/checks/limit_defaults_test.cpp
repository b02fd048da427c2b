// The table of usual limits: each field's value where the configuration has none.
#include "configuration/parts.hpp"

#include "configuration_sample.hpp"
#include "expect_faults.hpp"

using namespace dekeyd;
using namespace dekeyd::formats;
using namespace std::chrono_literals;

namespace {

/// All roles, and every limit with nothing but what it watches.
std::string bare_limits(std::string_view limits) {
    std::string text =
        spoiled("amplifier:\n",
                "  current: {bus: psu, address: curr1, measures: current, role: current, allowed_age: 500 ms}\n"
                "  fan: {bus: psu, address: fan1, measures: speed, role: fan, allowed_age: 500 ms}\n"
                "  drive: {bus: adc, address: voltage2, measures: power, role: drive, allowed_age: 100 ms,\n"
                "    detector: {slope: -24.4 mV/dB, intercept: 19.6 dBm, floor: -50 dBm, ceiling: 5 dBm}, "
                "coupling: 20 dB}\n"
                "amplifier:\n  maximum_drive: 2.5 W\n  maximum_current: 14 A\n  nominal_supply: 28 V\n"
                "  drive_absent: 50 mW\n");
    text = spoiled(text, "{driver: gpio, chip: soc, line: GPIO17, permit: high}", "{driver: file, path: /tmp/line}");
    const std::size_t begin = text.find("limits:"), end = text.find("mqtt:");
    return text.replace(begin, end - begin, "limits:\n" + std::string{limits});
}

}  // namespace

TEST_CASE("each limit's usual fields") {
    const Loaded loaded = load_configuration(bare_limits(
        "  heatsink: {watch: heatsink}\n  vswr: {watch: vswr}\n  reflected: {watch: reflected}\n"
        "  forward: {watch: forward}\n  drive: {watch: drive}\n  current: {watch: current}\n  fan: {watch: fan}\n"
        "  high: {watch: supply, above: 30.8 V}\n  low: {watch: supply, below: 23.8 V}\n"));
    expect_no_faults(loaded);
    struct Row {
        const char* id;
        double trip;
        std::optional<double> clear;  // none: RF off
        core::Duration qualify;
        core::Duration hold_off;
        core::Rearm rearm;
        bool gated;
    };
    const std::vector<Row> rows{
        {"heatsink", 70.0, 55.0, 1s, 30s, core::Rearm::automatic, false},
        {"vswr", 2.0, std::nullopt, 20ms, 1s, core::Rearm::latched, true},
        {"reflected", 12.0, std::nullopt, 10ms, 1s, core::Rearm::latched, false},
        {"forward", 120.0, std::nullopt, 10ms, 5s, core::Rearm::automatic, false},
        {"drive", 2.5, 1.9858, 5ms, 5s, core::Rearm::automatic, false},  // 1 dB below 2.5 W, computed
        {"current", 14.0, std::nullopt, 50ms, 1s, core::Rearm::latched, false},
        {"fan", 300.0, 450.0, 10s, 30s, core::Rearm::automatic, true},
        {"high", 30.8, 29.4, 20ms, 5s, core::Rearm::automatic, false},  // half way to 28 V
        {"low", 23.8, 25.9, 500ms, 5s, core::Rearm::automatic, false},
    };
    for (const Row& row : rows) {
        CAPTURE(row.id);
        const core::LimitPlan& limit = limit_of(loaded, row.id);
        CHECK(limit.trip == doctest::Approx(row.trip));
        CHECK((limit.clear_by == core::ClearBy::rf_off) == !row.clear.has_value());
        if (row.clear) CHECK(limit.clear == doctest::Approx(*row.clear).epsilon(1e-4));
        CHECK(limit.qualify == row.qualify);
        CHECK(limit.hold_off == row.hold_off);
        CHECK(limit.rearm == row.rearm);
        CHECK(limit.gate.has_value() == row.gated);
        CHECK(limit.counted);
        CHECK(advised(loaded, std::string{"limits."} + row.id + ": default not confirmed"));
    }
    CHECK(limit_of(loaded, "fan").direction == core::Direction::below);
    CHECK(limit_of(loaded, "fan").gate->level == 45.0);
    CHECK(limit_of(loaded, "vswr").gate->level == 6.0);
    CHECK(limit_of(loaded, "high").while_supplied);
    CHECK_FALSE(limit_of(loaded, "vswr").while_supplied);
}

TEST_CASE("defaults follow the written trip, and end where they have no figure") {
    const Loaded loaded =
        load_configuration(bare_limits("  heatsink: {watch: heatsink, above: 60 degC}\n"
                                       "  fan: {watch: fan, below: 1000 rpm}\n"));
    expect_no_faults(loaded);
    CHECK(limit_of(loaded, "heatsink").clear == 45.0);
    CHECK(limit_of(loaded, "fan").clear == 1500.0);
    const std::string no_maximum =
        spoiled(bare_limits("  current: {watch: current}\n"), "  maximum_current: 14 A\n", "");
    const Loaded unknown = load_configuration(no_maximum);
    REQUIRE(unknown.faults.size() == 1);
    CHECK(unknown.faults[0].key == "limits.current.above");
    const Loaded supply = load_configuration(bare_limits("  supply: {watch: supply}\n"));
    REQUIRE(supply.faults.size() == 1);
    CHECK(supply.faults[0].what == "neither 'above' nor 'below': the trip level is missing");
}
