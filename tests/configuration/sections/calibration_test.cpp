#include <fstream>

#include "configuration_sample.hpp"
#include "expect_faults.hpp"
#include "maths/correction.hpp"
#include "temporary_folder.hpp"

using namespace dekeyd;
using namespace dekeyd::formats;

namespace {

constexpr std::string_view calibration_text = R"(calibration: 1
sensor: forward
date: 2026-03-01T10:00:00Z
reference: Borrowed power meter
reference_uncertainty: 0.2 dB
residual: 0.15 dB
temperature: 31 degC
table:
  - {at: -21 dBm, volts: 0.99 V}
  - {at: -10 dBm, volts: 0.72 V}
  - {at: 0 dBm, volts: 0.47 V}
)";

std::string with_key(std::string_view file) {
    return spoiled("    pads: 10 dB\n    cable: 0.5 dB\n",
                   "    pads: 10 dB\n    cable: 0.5 dB\n    calibration: " + std::string{file} + "\n");
}

Loaded with_file(std::string_view text) {
    const dekeyd::test::TemporaryFolder folder;
    const std::string path = folder.path() + "/forward.calibration.yaml";
    std::ofstream{path} << text;
    return load_configuration(with_key("forward.calibration.yaml"), folder.path());
}

}  // namespace

TEST_CASE("a calibration corrects the detector's law, with the reference's uncertainty") {
    const Loaded loaded = with_file(calibration_text);
    expect_no_faults(loaded);
    const core::PowerChain& chain = *channel_of(loaded, "forward").power;
    REQUIRE(std::holds_alternative<core::LogDetector>(chain.detector));
    REQUIRE(chain.correction);
    CHECK(chain.correction->points.size() == 3);
    CHECK(core::chain_dbm(chain, 0.72) == doctest::Approx(-10.0));
    CHECK(core::chain_dbm(chain, 0.99) == doctest::Approx(-21.0));
    CHECK(chain.floor_dbm == -50.0);  // the law goes on to the stated ends
    CHECK(chain.ceiling_dbm == 5.0);
    CHECK(chain.calibration_db == 0.2);
    CHECK(chain.conformance_db == 1.0);
    CHECK(chain.coupling_tolerance_db == 0.0);
    REQUIRE(loaded.configuration->calibrations.size() == 1);
    CHECK(loaded.configuration->calibrations[0].reference == "Borrowed power meter");
    CHECK(loaded.configuration->calibrations[0].temperature_c == 31.0);
}

TEST_CASE("what is stated of a calibrated chain's doubt stands") {
    const dekeyd::test::TemporaryFolder folder;
    std::ofstream{folder.path() + "/forward.calibration.yaml"} << calibration_text;
    const Loaded loaded = load_configuration(
        spoiled(
            with_key("forward.calibration.yaml"), "    calibration: forward.calibration.yaml\n",
            "    calibration: forward.calibration.yaml\n    uncertainty: {conformance: 0.4 dB, coupling: 0.1 dB}\n"),
        folder.path());
    expect_no_faults(loaded);
    const core::PowerChain& chain = *channel_of(loaded, "forward").power;
    CHECK(chain.conformance_db == 0.4);
    CHECK(chain.coupling_tolerance_db == 0.1);
    CHECK(chain.calibration_db == 0.2);
}

TEST_CASE("a trip beyond the highest level is advised against, and one among the levels is not") {
    const std::string limit = "  heatsink: {watch: heatsink";
    const auto advice = [&](const std::string& trip) {
        const dekeyd::test::TemporaryFolder folder;
        std::ofstream{folder.path() + "/forward.calibration.yaml"} << calibration_text;
        return advised(load_configuration(spoiled(with_key("forward.calibration.yaml"), limit,
                                                  "  forward: {watch: forward, above: " + trip +
                                                      ", clear: rf off, qualify: 10 ms, hold_off: 1 s}\n" + limit),
                                          folder.path()),
                       "limits.forward: its trip at ");
    };
    // The highest level, 0 dBm, is 50.5 dBm = 112 W on the line.
    CHECK_FALSE(advice("110 W"));
    CHECK(advice("180 W"));
}

TEST_CASE("calibrations that can't be used are refused at their key") {
    const auto at_key = [](std::string_view begins) {
        return std::vector<ExpectedFault>{{22, "sensors.forward.calibration", std::string{begins}}};
    };
    expect_faults(load_configuration(with_key("nowhere.yaml"), "/nonexistent"),
                  at_key("'/nonexistent/nowhere.yaml' can't be read"));
    expect_faults(load_configuration(with_key("../other.yaml")), at_key("'../other.yaml' is no plain file name"));
    expect_faults(with_file(spoiled(calibration_text, "sensor: forward", "sensor: reflected")),
                  at_key("'forward.calibration.yaml' was taken with the sensor 'reflected'"));
    expect_faults(with_file(spoiled(calibration_text, "at: -10 dBm", "at: -30 dBm")),
                  at_key("forward.calibration.yaml:10: table[1].at: -30 dBm does not lie above"));
    expect_faults(with_file(spoiled(calibration_text, "volts: 0.72 V", "volts: 1.2 V")),
                  at_key("forward.calibration.yaml:11: table[2].volts: 0.47 V turns back"));
    expect_faults(with_file(""), at_key("forward.calibration.yaml:"));
    expect_faults(with_file("calibration: 1\nsensor: [\n"), at_key("forward.calibration.yaml:"));
    expect_faults(with_file(std::string(100'000, 'x')), at_key("forward.calibration.yaml:1: a file of more"));
    expect_faults(
        with_file(spoiled(spoiled(spoiled(calibration_text, "at: -21 dBm", "at: 6 dBm"), "at: -10 dBm", "at: 7 dBm"),
                          "at: 0 dBm", "at: 8 dBm")),
        at_key("its lowest point, 6 dBm, is not below"));
}

TEST_CASE("a calibration may begin above the level of RF: the law goes on below it") {
    // -19 dBm + 50.5 dB = 31.5 dBm = 1.41 W, and RF counts from 1 W.
    expect_no_faults(with_file(spoiled(calibration_text, "at: -21 dBm", "at: -19 dBm")));
}

TEST_CASE("levels that contradict the stated slope are refused") {
    std::string text{calibration_text};
    text = spoiled(text, "at: 0 dBm, volts: 0.47 V", "at: 0 dBm, volts: 1 V");
    text = spoiled(text, "at: -21 dBm, volts: 0.99 V", "at: -21 dBm, volts: 0.46 V");
    expect_faults(with_file(text), {{22, "sensors.forward.calibration",
                                     "'forward.calibration.yaml' contradicts the law under 'detector:'"}});
}
