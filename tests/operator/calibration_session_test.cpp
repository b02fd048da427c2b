#include "dekeyctl/set_up/calibration_session.hpp"

#include <doctest/doctest.h>

#include <fstream>

#include "temporary_folder.hpp"

using namespace dekeyd;
using namespace dekeyd::ctl;

namespace {

struct Bench {
    Bench() {
        options.file = folder / "dekeyd.yaml";
        options.sensor = "forward";
        options.reference = "meter";
        options.json = true;  // what it says goes to standard error
    }
    [[nodiscard]] std::vector<double> kept() const {
        CalibrationSession session{options};
        REQUIRE(session.resume());
        std::vector<double> levels;
        for (const auto& point : session.points()) levels.push_back(point.dbm);
        return levels;
    }

    test::TemporaryFolder folder;
    CalibrateOptions options;
};

formats::CalibrationPoint point(double dbm) {
    return {.volts = 1.0 + dbm / 100.0, .dbm = dbm, .doubt_db = 0.05, .taken = "2026-05-01T10:20:30Z"};
}

}  // namespace

TEST_CASE("the session's file is beside the configuration") {
    CalibrateOptions options;
    options.file = "station/dekeyd.yaml";
    CHECK(beside(options, "forward.yaml") == "station/forward.yaml");
    options.file = "dekeyd.yaml";
    CHECK(beside(options, "forward.yaml") == "forward.yaml");
}

TEST_CASE("a level is on the disk when it is kept, in rising order, and in the place of a near one") {
    const Bench bench;
    CalibrationSession session{bench.options};
    REQUIRE(session.keep(point(-10.0), std::nullopt));
    CHECK(bench.kept() == std::vector{-10.0});
    REQUIRE(session.keep(point(-20.0), std::nullopt));
    CHECK(bench.kept() == std::vector{-20.0, -10.0});
    REQUIRE(session.keep(point(-17.0), std::nullopt));  // the closest that two levels may be
    CHECK(bench.kept() == std::vector{-20.0, -17.0, -10.0});
    REQUIRE(session.keep(point(-12.5), std::nullopt));
    CHECK(bench.kept() == std::vector{-20.0, -17.0, -12.5});
    REQUIRE(session.drop(1));
    CHECK(bench.kept() == std::vector{-20.0, -12.5});
}

TEST_CASE("a damaged file, or one of another sensor, is refused; '--new' begins without it") {
    Bench bench;
    {
        CalibrationSession session{bench.options};
        REQUIRE(session.keep(point(-10.0), std::nullopt));
        std::ofstream{bench.folder / "reflected.calibration.session.yaml"} << std::ifstream{session.path()}.rdbuf();
        std::ofstream{session.path(), std::ios::app} << "levels: twice\n";
    }
    CHECK_FALSE(CalibrationSession{bench.options}.resume());
    CalibrateOptions anew = bench.options;
    anew.anew = true;
    CalibrationSession session{anew};
    CHECK(session.resume());
    CHECK(session.points().empty());
    bench.options.sensor = "reflected";
    CHECK_FALSE(CalibrationSession{bench.options}.resume());
}

TEST_CASE("a level that the disk doesn't take is said to be lost") {
    Bench bench;
    bench.options.file = bench.folder / "gone/dekeyd.yaml";
    CalibrationSession session{bench.options};
    CHECK_FALSE(session.keep(point(-10.0), std::nullopt));
}

TEST_CASE("the calibration names every reference that its levels were taken with, once, and the worst doubt") {
    Bench bench;
    bench.options.reference_db = 0.3;
    {
        CalibrationSession session{bench.options};
        REQUIRE(session.keep(point(-10.0), 31.0));
        CHECK(session.calibration().reference == "meter");
    }
    bench.options.reference = "other \"meter\"";
    bench.options.reference_db = 0.1;
    CalibrationSession session{bench.options};
    REQUIRE(session.resume());
    const formats::Calibration all = session.calibration();
    CHECK(all.reference == "meter, other  meter ");
    CHECK(all.reference_db == 0.3);
    CHECK(all.sensor == "forward");
    CHECK(all.temperature_c == 31.0);
}
