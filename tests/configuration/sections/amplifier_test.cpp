#include "configuration_sample.hpp"
#include "expect_faults.hpp"

using namespace dekeyd;
using namespace dekeyd::formats;
using namespace std::chrono_literals;

TEST_CASE("ratings and levels, several faults at once") {
    expect_faults(load_configuration(spoiled(
                      "  rated_forward: 120 W\n  minimum_forward: 6 W\n  rf_present: 1 W\n  directivity: 30 dB\n"
                      "  feeder_loss: 0.8 dB\n",
                      "  rated_forward: 1.00\n  minimum_forward: -6 W\n  rf_presnt: 1 W\n"
                      "  directivity: 0 dB\n  feeder_loss: -1 dB\n")),
                  {{33, "amplifier.rated_forward", "'1.00' needs a unit"},
                   {34, "amplifier.minimum_forward", "'-6 W' is not above zero"},
                   {35, "amplifier.rf_presnt", "the key 'rf_presnt' is not known here"},
                   {36, "amplifier.directivity", "'0 dB' is not above zero"},
                   {37, "amplifier.feeder_loss", "'-1 dB' is negative"}});
}

TEST_CASE("the rated power is needed where forward is measured") {
    expect_faults(load_configuration(spoiled("  rated_forward: 120 W\n", "")),
                  {{32, "amplifier.rated_forward", "'rated_forward' is missing"}});
}

TEST_CASE("levels are in order") {
    expect_faults(load_configuration(spoiled("minimum_forward: 6 W", "minimum_forward: 200 W")),
                  {{34, "amplifier.minimum_forward", "the minimum for ratios is not below the rated power"},
                   {48, "limits.vswr.while", "the limit would watch from 6 W forward"}});
    expect_faults(load_configuration(spoiled("rf_present: 1 W", "rf_present: 7 W")),
                  {{35, "amplifier.rf_present", "RF would count as present only above the minimum"}});
    // The chain's floor: -50 dBm + 50.5 dB = 0.5 dBm = 1.122 mW, computed.
    expect_faults(load_configuration(spoiled("rf_present: 1 W", "rf_present: 1.1 mW")),
                  {{35, "amplifier.rf_present", "1.1 mW is not above the 1.122 mW that 'forward' shows at its floor"}});
    expect_no_faults(load_configuration(spoiled("rf_present: 1 W", "rf_present: 1.2 mW")));
}

TEST_CASE("reflected power has a level of its own, or forward's") {
    const auto with = [](const std::string& level) {
        return load_configuration(spoiled("rf_present: 1 W", "rf_present: 1 W\n  reflected_present: " + level));
    };
    CHECK_FALSE(load_configuration(sample_text).configuration->plan.rf.reflected_present_w);
    CHECK(with("0.2 W").configuration->plan.rf.reflected_present_w == 0.2);
    expect_no_faults(with("1 W"));
    expect_faults(with("1.001 W"), {{36, "amplifier.reflected_present", "reflected power would be detected later"}});
    // The chain's floor: -50 dBm + 40 dB = -10 dBm = 100 uW.
    expect_faults(with("100 uW"),
                  {{36, "amplifier.reflected_present", "100 µW is not above the 100 µW that 'reflected' shows"}});
}

TEST_CASE("levels that nobody wrote are named") {
    const Loaded loaded = load_configuration(spoiled("  minimum_forward: 6 W\n  rf_present: 1 W\n", ""));
    expect_no_faults(loaded);
    CHECK(loaded.configuration->plan.rf.minimum_forward_w == doctest::Approx(6.0));  // 5 % of 120 W
    CHECK(loaded.configuration->plan.rf.rf_present_w == doctest::Approx(1.2));       // 1 %
    CHECK(advised(loaded, "amplifier.minimum_forward: not confirmed"));
    CHECK(advised(loaded, "amplifier.rf_present: not confirmed"));
    CHECK_FALSE(advised(load_configuration(sample_text), "not confirmed"));
    CHECK(
        advised(load_configuration(spoiled("  release_time: 100 ms\n", "")), "amplifier.release_time: not confirmed"));
}

TEST_CASE("drive is absent below a level that can be told from none") {
    const std::string drive = spoiled(
        "amplifier:\n",
        "  drive: {bus: adc, address: voltage2, measures: power, role: drive, allowed_age: 100 ms, valid: 0.35 V .. "
        "2.2 V,\n"
        "    detector: {slope: -24.4 mV/dB, intercept: 19.6 dBm, floor: -50 dBm, ceiling: 5 dBm}, coupling: 20 dB}\n"
        "amplifier:\n");
    expect_faults(load_configuration(drive), {{34, "amplifier.drive_absent", "'drive_absent' is missing"}});
    const std::string accepted = accepting(drive, "no-supply-limit, no-drive-limit");
    const Loaded usual = load_configuration(spoiled(accepted, "  rf_present", "  maximum_drive: 34 dBm\n  rf_present"));
    expect_no_faults(usual);
    CHECK(usual.configuration->plan.rf.drive_absent_w == doctest::Approx(0.0502).epsilon(0.001));  // 2 % of 2.512 W
    CHECK(advised(usual, "amplifier.drive_absent: not confirmed"));
    expect_faults(
        load_configuration(spoiled(drive, "  rf_present", "  maximum_drive: 2 W\n  drive_absent: 2 W\n  rf_present")),
        {{38, "amplifier.drive_absent", "drive would count as absent at its maximum"}});
    // Its floor: -50 + 20 dB = -30 dBm = 1 uW.
    expect_faults(load_configuration(spoiled(drive, "  rf_present", "  drive_absent: 1 uW\n  rf_present")),
                  {{37, "amplifier.drive_absent", "1 µW is not above"}});
}

TEST_CASE("times of the line and of the keying") {
    const Loaded loaded = load_configuration(
        spoiled("release_time: 100 ms", "release_time: 40 ms\n  hang_time: 2 s\n  edge_time: 10 ms"));
    expect_no_faults(loaded);
    CHECK(loaded.configuration->plan.rf.release_time == 40ms);
    CHECK(loaded.configuration->plan.rf.hang_time == 2s);
    CHECK(loaded.configuration->plan.rf.edge_time == 10ms);
}
