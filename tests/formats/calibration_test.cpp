#include "formats/calibration.hpp"

#include <doctest/doctest.h>

#include "formats/configuration_parts.hpp"

using namespace dekeyd::formats;

namespace {

// A detector of -25 mV/dB that shows `error` dB too much.
CalibrationLevel level(double reference_dbm, double error = 0.0) {
    const double indicated = reference_dbm + error;
    return {.volts = -0.025 * (indicated - 20.0), .indicated_dbm = indicated, .reference_dbm = reference_dbm};
}

bool refused(const std::vector<CalibrationLevel>& levels, const char* words) {
    const CalibrationFit fit = fit_calibration(levels);
    CAPTURE(fit.refused);
    return fit.refused.find(words) != std::string::npos;
}

}  // namespace

TEST_CASE("a level is settled when its mean stands, and no level when it wanders") {
    LevelAverage quiet;
    for (int i = 0; i < 19; ++i) quiet.add(-10.0);
    CHECK_FALSE(quiet.settled());
    quiet.add(-10.0);
    CHECK(quiet.settled());
    LevelAverage noisy;
    for (int i = 0; i < 40; ++i) noisy.add(i % 2 == 0 ? -10.2 : -9.8);
    CHECK(noisy.mean_dbm() == doctest::Approx(-10.0));
    CHECK(noisy.steady());
    CHECK_FALSE(noisy.settled());  // 2 * 0.2 / sqrt(40) = 0.063 dB
    for (int i = 0; i < 400; ++i) noisy.add(i % 2 == 0 ? -10.2 : -9.8);
    CHECK(noisy.settled());  // 2 * 0.2 / sqrt(440) = 0.019 dB
    noisy.add(-9.0);
    CHECK_FALSE(noisy.steady());
}

TEST_CASE("a good set: a constant error goes, what is left is shown") {
    const CalibrationFit fit = fit_calibration({level(0.0, 1.0), level(-20.0, 1.0), level(-10.0, 1.3)});
    CHECK(fit.refused.empty());
    CHECK(fit.levels.front().reference_dbm == -20.0);
    CHECK(fit.scale == doctest::Approx(1.0).epsilon(0.01));
    REQUIRE(fit.residual_db.size() == 3);
    CHECK(fit.largest_db == doctest::Approx(0.2).epsilon(0.01));  // 0.3 dB shared 1:2 over three points
}

TEST_CASE("bad sets are refused with the reason") {
    CHECK(refused({}, "at least two"));
    CHECK(refused({level(0.0)}, "at least two"));
    CHECK(refused({level(0.0), level(-2.0), level(-20.0)}, "too close"));
    CHECK(refused({level(0.0), level(-8.0)}, "span 8.0 dB"));
    CHECK(refused({level(0.0), level(-10.0, 11.0), level(-20.0)}, "not monotone"));
    CHECK(refused({level(0.0), level(-10.0, 4.0), level(-20.0)}, "off the line"));
    CHECK(refused({level(0.0), level(-20.0, 4.0)}, "for each dB shown"));
}

TEST_CASE("what is written is what the loader reads") {
    Calibration calibration;
    calibration.sensor = "forward";
    calibration.file = "forward.calibration.yaml";
    calibration.date = "2026-03-01T10:00:00Z";
    calibration.reference = "Borrowed meter";
    calibration.reference_db = 0.2;
    calibration.residual_db = 0.15;
    calibration.temperature_c = 31.0;
    calibration.points = {{1.02, -20.0}, {0.77, -10.0}, {0.52, 0.25}};
    const CalibrationText read = read_calibration_text(calibration_text(calibration));
    CHECK(read.faults.empty());
    CHECK(read.calibration.sensor == "forward");
    CHECK(read.calibration.reference == "Borrowed meter");
    CHECK(read.calibration.reference_db == 0.2);
    CHECK(read.calibration.temperature_c == 31.0);
    REQUIRE(read.calibration.points.size() == 3);
    CHECK(read.calibration.points[2].dbm == 0.25);
    CHECK(read.calibration.points[0].volts == 1.02);
}
