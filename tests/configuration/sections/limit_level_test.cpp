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

TEST_CASE("what is watched has a name") {
    const Loaded near = load_configuration(with_limit("x: {watch: heatsnik, above: 70 degC, clear: 60 degC}"));
    expect_faults(near, {{49, "limits.x.watch", "there is no quantity 'heatsnik'"}});
    CHECK(near.faults[0].expected == "did you mean 'heatsink'?");
    const Loaded derived = load_configuration(with_limit("x: {watch: return_loss, below: 9 dB, clear: 12 dB}"));
    expect_faults(derived, {{49, "limits.x.watch", "there is no quantity 'return_loss'"}});
    CHECK(derived.faults[0].expected == "did you mean 'return-loss'?");
    const Loaded gate = load_configuration(
        with_limit("x: {watch: supply, above: 30 V, clear: 29 V, while: {quantity: foward, above: 6 W}}"));
    expect_faults(gate, {{49, "limits.x.while.quantity", "there is no quantity 'foward'"}});
}

TEST_CASE("levels are in the unit of what is watched") {
    expect_faults(load_configuration(with_limit("x: {watch: supply, above: 30 W, clear: 29, warn: 29 A}")),
                  {{49, "limits.x.above", "'30 W' is a power"},
                   {49, "limits.x.clear", "'29' needs a unit"},
                   {49, "limits.x.warn", "'29 A' is a current"}});
    expect_faults(load_configuration(spoiled("above: 2.0", "above: 2.0 W")),
                  {{43, "limits.vswr.above", "'2.0 W' has a unit, and this value takes none"}});
    expect_faults(load_configuration(spoiled("above: 12 W", "above: 12")),
                  {{49, "limits.reflected.above", "'12' needs a unit"}});
    expect_faults(load_configuration(spoiled("above: 12 W", "above: -12 W")),
                  {{49, "limits.reflected.above", "'-12 W' is not above zero"}});
    expect_faults(load_configuration(spoiled("{quantity: forward, above: 6 W}", "{quantity: forward, above: 6 degC}")),
                  {{48, "limits.vswr.while.above", "'6 degC' is a temperature"}});
}

TEST_CASE("a share of the nominal supply") {
    expect_faults(load_configuration(with_limit("x: {watch: supply, above: +10 %, clear: 29 V}")),
                  {{49, "limits.x.above", "'+10 %' of a nominal supply that is not given"}});
    const std::string nominal = spoiled(with_limit("x: {watch: supply, below: -15 %, clear: -7 %}"), "  rf_present",
                                        "  nominal_supply: 28 V\n  rf_present");
    const Loaded loaded = load_configuration(nominal);
    expect_no_faults(loaded);
    CHECK(limit_of(loaded, "x").trip == doctest::Approx(23.8));    // 28 V - 15 %, computed
    CHECK(limit_of(loaded, "x").clear == doctest::Approx(26.04));  // 28 V - 7 %, computed
    expect_faults(load_configuration(spoiled(nominal, "below: -15 %", "below: 15 %")),
                  {{50, "limits.x.below", "'15 %' does not say to which side of nominal"}});
    expect_faults(load_configuration(with_limit("x: {watch: heatsink, above: +10 %, clear: 50 degC}")),
                  {{49, "limits.x.above", "'+10 %' is a percentage"}});
}
