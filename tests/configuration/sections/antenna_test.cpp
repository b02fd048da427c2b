#include "configuration_sample.hpp"
#include "expect_faults.hpp"

using namespace dekeyd;
using namespace dekeyd::formats;

namespace {

Loaded with_frequency(std::string_view more) {
    return load_configuration(spoiled(with_more(more), "  directivity", "  frequency: 1.262 GHz\n  directivity"));
}

}  // namespace

TEST_CASE("an antenna by its gain, or a dish by its size") {
    const Loaded plain = load_configuration(with_more("antenna: {gain: 18 dBi, duty: 50 %}\n"));
    expect_no_faults(plain);
    CHECK(plain.configuration->antenna->gain_dbi == 18.0);
    CHECK(plain.configuration->antenna->duty == 0.5);
    // G = 0.55 (pi D f / c)^2: 1.2 m at 12 GHz is 40.97 dBi (trade facts, read).
    const Loaded dish = load_configuration(spoiled(with_more("antenna: {dish: {diameter: 1.2 m, efficiency: 55 %}}\n"),
                                                   "  directivity", "  frequency: 12 GHz\n  directivity"));
    expect_no_faults(dish);
    CHECK(dish.configuration->antenna->gain_dbi == doctest::Approx(40.97).epsilon(0.001));
    CHECK(dish.configuration->antenna->dish->diameter_m == 1.2);
}

TEST_CASE("antennas that aren't") {
    expect_faults(load_configuration(with_more("antenna: {gain: 18 dB}\n")),
                  {{52, "antenna.gain", "'18 dB' is a ratio in dB"}});
    expect_faults(load_configuration(with_more("antenna: {duty: 50 %}\n")),
                  {{52, "antenna", "neither 'gain' nor 'dish'"}});
    expect_faults(with_frequency("antenna: {gain: 18 dBi, dish: {diameter: 1 m}}\n"),
                  {{53, "antenna", "both 'gain' and 'dish'"}});
    expect_faults(load_configuration(with_more("antenna: {dish: {diameter: 1 m}}\n")),
                  {{52, "antenna.dish", "a dish's gain depends on the frequency"}});
    expect_faults(with_frequency("antenna: {dish: {diameter: 0 m, efficiency: 120 %}}\n"),
                  {{53, "antenna.dish.diameter", "'0 m' is not above zero"},
                   {53, "antenna.dish.efficiency", "'120 %' is outside"}});
    expect_faults(load_configuration(with_more("antenna: {gain: 300 dBi, duty: 101 %}\n")),
                  {{52, "antenna.gain", "'300 dBi' is outside"}, {52, "antenna.duty", "'101 %' is outside"}});
}

TEST_CASE("exposure limits come from a rule by frequency, or are given") {
    // 1262 MHz: 6.31 and 31.6 W/m2 (ICNIRP 2020), 0.841 and 4.21 mW/cm2 (FCC), second-hand.
    const Loaded icnirp = with_frequency("antenna: {gain: 18 dBi}\nexposure: {rule: icnirp-2020}\n");
    expect_no_faults(icnirp);
    REQUIRE(icnirp.configuration->exposure.size() == 2);
    CHECK(icnirp.configuration->exposure[0].w_per_m2 == doctest::Approx(6.31).epsilon(0.001));
    CHECK(icnirp.configuration->exposure[1].w_per_m2 == doctest::Approx(31.55).epsilon(0.001));
    CHECK(icnirp.configuration->ground_factor == 2.56);
    const Loaded fcc =
        with_frequency("antenna: {gain: 18 dBi}\nexposure: {rule: fcc, limit: 0.5 mW/cm2, ground_reflection: 4}\n");
    expect_no_faults(fcc);
    REQUIRE(fcc.configuration->exposure.size() == 3);
    CHECK(fcc.configuration->exposure[0].w_per_m2 == doctest::Approx(8.41).epsilon(0.001));
    CHECK(fcc.configuration->exposure[2].w_per_m2 == doctest::Approx(5.0));
    CHECK(fcc.configuration->ground_factor == 4.0);
    CHECK(fcc.configuration->exposure[0].edition.find("second-hand") != std::string::npos);
}

TEST_CASE("exposure that can't be worked out") {
    expect_faults(load_configuration(with_more("antenna: {gain: 2 dBi}\nexposure: {rule: fcc}\n")),
                  {{53, "exposure.rule", "the limit depends on the frequency"}});
    expect_faults(with_frequency("exposure: {rule: fcc}\n"), {{53, "exposure", "a distance without an antenna"}});
    expect_faults(
        with_frequency("antenna: {gain: 2 dBi}\nexposure: {ground_reflection: 5}\n"),
        {{54, "exposure", "neither 'rule' nor 'limit'"}, {54, "exposure.ground_reflection", "'5' is outside 1 to 4"}});
    const std::string low = spoiled(with_more("antenna: {gain: 2 dBi}\nexposure: {rule: icnirp-2020}\n"),
                                    "  directivity", "  frequency: 7 MHz\n  directivity");
    expect_faults(load_configuration(low), {{54, "exposure.rule", "this rule has no power-density limit at 7 MHz"}});
}

TEST_CASE("the level plan") {
    const std::string text =
        spoiled(with_more("plan:\n  wanted_forward: 94 W\n  exciter: {lowest: -10 dBm, highest: 100 mW}\n  parts:\n"
                          "    - {name: Cable, loss: 1 dB}\n"
                          "    - {name: Driver, gain: 20 dB, maximum_input: 10 dBm, one_db_output: 4 W}\n"
                          "  efficiency: 50 %\n  thermal_resistance: 0.2 K/W\n"),
                "  directivity", "  small_signal_gain: 18 dB\n  directivity");
    const Loaded loaded = load_configuration(text);
    expect_no_faults(loaded);
    const LevelPlan& plan = *loaded.configuration->level_plan;
    CHECK(plan.wanted_w == 94.0);
    CHECK(plan.exciter_lowest_dbm == doctest::Approx(-10.0));
    CHECK(plan.exciter_highest_dbm == doctest::Approx(20.0));
    REQUIRE(plan.parts.size() == 2);
    CHECK(plan.parts[0].gain_db == -1.0);
    CHECK(plan.parts[1].gain_db == 20.0);
    CHECK(plan.parts[1].maximum_input_dbm == doctest::Approx(10.0));
    CHECK(plan.parts[1].one_db_output_dbm == doctest::Approx(36.02).epsilon(0.001));
    CHECK(plan.efficiency_percent == doctest::Approx(50.0));
    expect_faults(load_configuration(spoiled(text, "loss: 1 dB", "loss: -1 dB")),
                  {{57, "plan.parts[0].loss", "'-1 dB' is negative"}});
    expect_faults(load_configuration(spoiled(text, "gain: 20 dB", "gian: 20 dB")),
                  {{58, "plan.parts[1]", "neither 'gain' nor 'loss'"},
                   {58, "plan.parts[1].gian", "the key 'gian' is not known here"}});
    expect_faults(load_configuration(spoiled(text, "lowest: -10 dBm", "lowest: 25 dBm")),
                  {{55, "plan.exciter.lowest", "the exciter's least is above its most"}});
    expect_faults(load_configuration(spoiled(text, "  small_signal_gain: 18 dB\n", "")),
                  {{52, "plan", "the amplifier's gain is not given"}});
    expect_faults(load_configuration(with_more("plan: {}\n")),
                  {{52, "plan.wanted_forward", "'wanted_forward' is missing"},
                   {52, "plan.exciter", "'exciter' is missing"},
                   {52, "plan", "the amplifier's gain is not given"}});
}
