#include "configuration_sample.hpp"
#include "expect_faults.hpp"

using namespace dekeyd;
using namespace dekeyd::formats;

namespace {

/// The sample with another detector on forward: its line is 18.
std::string with_detector(std::string_view detector) {
    return spoiled(
        "    detector: {slope: -24.4 mV/dB, intercept: 19.6 dBm, floor: -50 dBm, ceiling: 5 dBm}\n    coupling: 40 dB\n"
        "    pads",
        "    detector: " + std::string{detector} + "\n    coupling: 40 dB\n    pads");
}

const core::PowerChain& chain_of(const Loaded& loaded) {
    const core::Channel& channel = channel_of(loaded, "forward");
    REQUIRE(channel.power);
    return *channel.power;
}

}  // namespace

TEST_CASE("exactly one description of the detector") {
    expect_faults(load_configuration(with_detector("{floor: -50 dBm, ceiling: 5 dBm}")),
                  {{18, "sensors.forward.detector", "nothing says how volts become power"}});
    expect_faults(
        load_configuration(with_detector("{slope: -24.4 mV/dB, square_law: 1 V/mW, floor: -50 dBm, ceiling: 5 dBm}")),
        {{18, "sensors.forward.detector", "more than one description"}});
    expect_faults(load_configuration(with_detector("{slope: -24.4 mV/dB, floor: -50 dBm, ceiling: 5 dBm}")),
                  {{18, "sensors.forward.detector.intercept", "'intercept' is missing"}});
    expect_faults(load_configuration(with_detector("{slope: 0 mV/dB, intercept: 19.6 dBm}")),
                  {{18, "sensors.forward.detector.floor", "'floor' is missing"},
                   {18, "sensors.forward.detector.ceiling", "'ceiling' is missing"},
                   {18, "sensors.forward.detector.slope", "'0 mV/dB' is outside 5 mV/dB"}});
    expect_faults(
        load_configuration(with_detector("{slope: -24.4, intercept: 19.6 dB, floor: 5 dBm, ceiling: -50 dBm}")),
        {{18, "sensors.forward.detector.slope", "'-24.4' needs a unit"},
         {18, "sensors.forward.detector.intercept", "'19.6 dB' is a ratio in dB"},
         {18, "sensors.forward.detector.floor", "the floor of 5 dBm is not below the ceiling of -50 dBm"}});
    expect_faults(load_configuration(with_detector("{square_law: -1 V/mW, floor: -50 dBm, ceiling: 5 dBm}")),
                  {{18, "sensors.forward.detector.square_law", "'-1 V/mW' is not above zero"}});
}

TEST_CASE("a table, its ends for floor and ceiling") {
    const Loaded loaded =
        load_configuration(with_detector("{table: [{at: -40 dBm, volts: 1.454 V}, {at: -10 dBm, volts: 722 mV}]}"));
    expect_no_faults(loaded);
    const core::PowerChain& chain = chain_of(loaded);
    const auto& table = std::get<core::TableDetector>(chain.detector);
    REQUIRE(table.points.size() == 2);
    CHECK(table.points[1].volts == doctest::Approx(0.722));
    CHECK(chain.floor_dbm == -40.0);
    CHECK(chain.ceiling_dbm == -10.0);
}

TEST_CASE("a detector like another's takes its law, and what isn't written beside it") {
    const auto like = [](std::string_view reflected) {
        return spoiled(
            "    role: reflected\n    allowed_age: 100 ms\n    valid: 0.35 V .. 2.2 V\n    detector: {slope: -24.4 "
            "mV/dB, "
            "intercept: 19.6 dBm, floor: -50 dBm, ceiling: 5 dBm}\n    coupling: 40 dB\n  supply",
            "    role: reflected\n    allowed_age: 100 ms\n" + std::string{reflected} + "  supply");
    };
    const Loaded loaded = load_configuration(like("    detector: {like: forward}\n    pads: 13 dB\n"));
    expect_no_faults(loaded);
    const core::Channel& forward = channel_of(loaded, "forward");
    const core::Channel& reflected = channel_of(loaded, "reflected");
    REQUIRE(reflected.power);
    CHECK(std::get<core::LogDetector>(reflected.power->detector).slope_v_per_db == doctest::Approx(-0.0244));
    CHECK(reflected.power->floor_dbm == forward.power->floor_dbm);
    CHECK(reflected.power->ceiling_dbm == forward.power->ceiling_dbm);
    CHECK(reflected.power->coupling_db == 40.0);
    CHECK(reflected.power->pads_db == 13.0);
    CHECK(reflected.valid_low == forward.valid_low);
    CHECK(reflected.valid_high == forward.valid_high);
    for (const char* const wrong : {"    detector: {like: nobody}\n", "    detector: {like: reflected}\n"}) {
        const Loaded refused = load_configuration(like(wrong));
        REQUIRE(refused.faults.size() == 1);
        CHECK(refused.faults[0].key == "sensors.reflected.detector.like");
    }
    CHECK_FALSE(load_configuration(like("    detector: {like: forward, square_law: 1 V/mW}\n")).faults.empty());
}

TEST_CASE("tables that mean nothing or two things") {
    expect_faults(load_configuration(with_detector("{table: [{at: -40 dBm, volts: 1.454 V}]}")),
                  {{18, "sensors.forward.detector.table", "a table of 1 points"}});
    expect_faults(load_configuration(with_detector("{table: -40 dBm}")),
                  {{18, "sensors.forward.detector.table", "one value where a list was expected"}});
    const std::string list =
        "\n      table:\n        - {at: -40 dBm, volts: 1.4 V}\n        - {at: -20 dBm, volts: 1.0 V}\n";
    expect_faults(load_configuration(with_detector(list + "        - {at: -20 dBm, volts: 0.9 V}\n"
                                                          "        - {at: -10 dBm, volts: 1.1 V}")),
                  {{22, "sensors.forward.detector.table[2].at", "-20 dBm does not lie above the -20 dBm before it"},
                   {23, "sensors.forward.detector.table[3].volts", "1.1 V turns back"}});
    expect_faults(load_configuration(with_detector(list + "        - {at: -10, volt: 0.9 V}")),
                  {{22, "sensors.forward.detector.table[2].at", "'-10' needs a unit"},
                   {22, "sensors.forward.detector.table[2].volt", "the key 'volt' is not known here"}});
}

TEST_CASE("a square-law diode") {
    const Loaded loaded =
        load_configuration(spoiled(with_detector("{square_law: 2 V/mW, floor: -30 dBm, ceiling: 0 dBm}"),
                                   "role: forward\n    allowed_age: 100 ms\n    valid: 0.35 V",
                                   "role: forward\n    allowed_age: 100 ms\n    valid: 0 V"));
    expect_no_faults(loaded);
    CHECK(std::get<core::SquareLawDetector>(chain_of(loaded).detector).volts_per_watt == doctest::Approx(2000.0));
}

TEST_CASE("coupling, pads and cable") {
    expect_faults(load_configuration(spoiled("    coupling: 40 dB\n    pads: 10 dB", "    pads: -10 dB")),
                  {{11, "sensors.forward.coupling", "'coupling' is missing"},
                   {19, "sensors.forward.pads", "'-10 dB' is negative"}});
    expect_faults(
        load_configuration(spoiled("    pads: 10 dB\n    cable: 0.5 dB", "    pads: 1000 dB\n    cable: 0.5 dBm")),
        {{20, "sensors.forward.pads", "'1000 dB' is outside"},
         {21, "sensors.forward.cable", "'0.5 dBm' is a level in dBm"}});
    // 5 dBm + 40 + 10 + 0.5 dB = 55.5 dBm = 354.8 W; -50 dBm: 0.5 dBm = 1.122 mW, computed.
    const Loaded loaded = load_configuration(sample_text);
    CHECK(chain_of(loaded).pads_db == 10.0);
    CHECK(chain_of(loaded).cable_db == 0.5);
}

TEST_CASE("drift and uncertainty") {
    const Loaded loaded =
        load_configuration(spoiled("    cable: 0.5 dB\n",
                                   "    cable: 0.5 dB\n    drift: {sensor: heatsink, coefficient: 0.02 dB/K}\n"
                                   "    uncertainty: {conformance: 0.4 dB, calibration: 0.2 dB}\n"));
    expect_no_faults(loaded);
    CHECK(chain_of(loaded).temperature_channel == 0);
    CHECK(chain_of(loaded).temperature_db_per_k == doctest::Approx(0.02));
    CHECK(chain_of(loaded).conformance_db == doctest::Approx(0.4));
    CHECK(chain_of(loaded).calibration_db == doctest::Approx(0.2));
    CHECK(chain_of(loaded).mismatch_db == doctest::Approx(0.2));
    expect_faults(load_configuration(spoiled("    cable: 0.5 dB\n",
                                             "    cable: 0.5 dB\n    drift: {sensor: supply, coefficient: 0.02 dB/K}\n"
                                             "    uncertainty: {conformance: -1 dB}\n")),
                  {{22, "sensors.forward.drift.sensor", "'supply' is no sensor of a temperature"},
                   {23, "sensors.forward.uncertainty.conformance", "'-1 dB' is negative"}});
}
