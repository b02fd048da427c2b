#include "configuration/calibration.hpp"

#include <doctest/doctest.h>

#include <cmath>

#include "configuration/parts.hpp"
#include "maths/correction.hpp"

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
    CHECK(refused({level(0.0), level(-10.0, 11.0), level(-20.0)}, "turns back"));
    CHECK(refused({level(0.0), level(-10.0, 4.0), level(-20.0)}, "off the line"));
    CHECK(refused({level(0.0), level(-20.0, 4.0)}, "for each dB shown"));
    // Ripple within a small conformance makes no such slope.
    CHECK(fit_calibration({level(0.0), level(-20.0, 3.0)}).good());
    CHECK_FALSE(fit_calibration({level(0.0), level(-20.0, 3.0)}, 0.3).good());
}

TEST_CASE("a set that isn't complete asks for one level more") {
    const auto wanting = [](const std::vector<CalibrationLevel>& levels) { return fit_calibration(levels).wanting; };
    CHECK(wanting({}).find("at least two") != std::string::npos);
    CHECK(wanting({level(0.0)}).find("one more, 10 dB or more away") != std::string::npos);
    CHECK(wanting({level(0.0), level(-8.0)}) ==
          "the levels span 8.0 dB: one more, 2.0 dB or more above the highest or below the lowest, tells slope from "
          "offset");
    CHECK(wanting({level(0.0), level(-10.0)}).empty());
}

TEST_CASE("the level that doesn't fit is named, where it can be told") {
    const std::vector<CalibrationLevel> levels{level(0.0), level(-5.0), level(-10.0, 4.0), level(-15.0), level(-20.0)};
    CHECK(refused(levels, "without level 3 the others agree"));
    CHECK(refused({level(0.0), level(-10.0, 4.0), level(-20.0)}, "leave the wrong level out"));
}

TEST_CASE("a trip beyond the levels is said with what a reading there may be, and how to reach it") {
    dekeyd::core::Plan plan;
    dekeyd::core::Channel forward;
    forward.id = "forward";
    forward.kind = dekeyd::core::ChannelKind::power;
    dekeyd::core::PowerChain chain;
    chain.detector = dekeyd::core::LogDetector{-0.025, 20.0};
    chain.coupling_db = 40.0;
    chain.pads_db = 10.0;
    const std::vector<dekeyd::core::ComparedLevel> levels{{-0.025 * -50.0, -30.0}, {-0.025 * -30.0, -10.0}};
    chain.correction = dekeyd::core::correction_from(chain.detector, levels, 1.0);
    forward.power = chain;
    plan.channels = {forward};
    dekeyd::core::LimitPlan limit;
    limit.id = "forward";
    limit.watch = 0;
    limit.trip = 100.0;  // 0 dBm at the detector: 10 dB beyond the highest level, of 10 W
    plan.limits = {limit};
    const auto all = beyond_calibration(plan);
    REQUIRE(all.size() == 1);
    CHECK(all[0].beyond_db == doctest::Approx(10.0));
    CHECK(all[0].highest_w == doctest::Approx(10.0));
    // 2 x 10/hypot(10, 1.2) = 1.986 and 10/sqrt(156.25 + 44.44) = 0.706, with 0.05: 2.108 dB of the law (by hand).
    const double db = 10.0 * std::log10(all[0].high_w / 100.0);
    CHECK(db > 2.108);
    CHECK(db < 2.4);
    CHECK(sentence(plan, all[0]).find("its trip at 100 W lies 10.0 dB beyond the highest level") == 0);
    const auto ways = how_to_reach(plan, all[0]);
    REQUIRE(ways.size() == 2);
    CHECK(ways[1].find("10 W on the line then show the detector what 100 W will") != std::string::npos);
    plan.limits[0].provisional = true;  // it isn't of the service
    CHECK(beyond_calibration(plan).empty());
    plan.limits[0].provisional = false;
    plan.limits[0].trip = 10.5;
    CHECK(beyond_calibration(plan).empty());
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
    calibration.points = {{1.02, -20.0}, {0.77, -10.0, 0.3, "2026-03-01T10:00:00Z"}, {0.52, 0.25}};
    const CalibrationText read = read_calibration_text(calibration_text(calibration));
    CHECK(read.faults.empty());
    CHECK(read.calibration.sensor == "forward");
    CHECK(read.calibration.reference == "Borrowed meter");
    CHECK(read.calibration.reference_db == 0.2);
    CHECK(read.calibration.temperature_c == 31.0);
    REQUIRE(read.calibration.points.size() == 3);
    CHECK(read.calibration.points[2].dbm == 0.25);
    CHECK(read.calibration.points[0].volts == 1.02);
    CHECK(read.calibration.points[1].doubt_db == 0.3);
    CHECK(read.calibration.points[1].taken == "2026-03-01T10:00:00Z");
    calibration.points.resize(1);  // a session may have one level so far
    CHECK(read_calibration_text(session_text(calibration)).faults.empty());
}
