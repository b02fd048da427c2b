#include "maths/rf.hpp"

#include <doctest/doctest.h>

#include <cmath>
#include <initializer_list>
#include <limits>
#include <random>
#include <vector>

#include "plan/reading.hpp"

using namespace dekeyd::core;

namespace {

constexpr double not_a_number = std::numeric_limits<double>::quiet_NaN();
constexpr double infinity = std::numeric_limits<double>::infinity();

// Half a unit of the last digit that the source prints.
bool agrees(double value, double printed, double half_digit) {
    return std::abs(value - printed) <= half_digit * 1.0001;
}

double vswr_of(double reflection) {
    return vswr_from_reflection(reflection);
}

// A detector of each kind with a sensible curve.
std::vector<Detector> some_detectors() {
    return {LogDetector{-0.0244, 19.6}, LogDetector{0.0191, -52.1},
            TableDetector{{{2.1, -60.0}, {1.454, -40.0}, {0.722, -10.0}, {0.5, 0.0}}},
            TableDetector{{{0.2, -40.0}, {0.5, -25.0}, {0.9, -3.0}}}, SquareLawDetector{400.0}};
}

std::vector<double> awkward_numbers() {
    return {0.0,     -0.0,     1.0,   -1.0,   0.5, 1e-300, -1e-300, 5e-324,       1e300,    -1e300,
            1.7e308, -1.7e308, 200.0, -200.0, 1e9, -1e9,   30.0,    not_a_number, infinity, -infinity};
}

}  // namespace

TEST_CASE("watts of dBm are ten to the power, to fourteen digits, over all that a chain may say") {
    for (double dbm = -largest_dbm; dbm <= largest_dbm; dbm += 0.173) {
        CAPTURE(dbm);
        CHECK(std::abs(watts_from_dbm(dbm) / std::pow(10.0, (dbm - 30.0) / 10.0) - 1.0) < 1e-15);
    }
    // A level that is written as 100 uW is the one that -10 dBm makes.
    for (int tens = -20; tens <= 20; ++tens) CHECK(watts_from_dbm(10.0 * tens) == std::pow(10.0, tens - 3));
}

TEST_CASE("VSWR, reflection, return loss, reflected power and mismatch loss belong together") {
    struct Row {
        double vswr, reflection, return_loss, reflected_percent, mismatch_loss;
    };
    // VSWR 1.5: read in a published VSWR calculator's page (solvefree). The other rows: computed from the definitions.
    for (const Row& row : {Row{1.10, .0476, 26.44, 0.227, 0.0099}, Row{1.20, .0909, 20.83, 0.826, 0.0360},
                           Row{1.50, .2000, 13.98, 4.000, 0.1773}, Row{2.00, .3333, 9.542, 11.11, 0.5115},
                           Row{3.00, .5000, 6.021, 25.00, 1.249}, Row{5.00, .6667, 3.522, 44.44, 2.553}}) {
        CAPTURE(row.vswr);
        const double g = reflection_from_vswr(row.vswr);
        CHECK(agrees(g, row.reflection, 0.00005));
        CHECK(agrees(return_loss_db(g), row.return_loss, row.return_loss > 10 ? 0.005 : 0.0005));
        CHECK(agrees(100 * g * g, row.reflected_percent, row.reflected_percent < 10 ? 0.0005 : 0.005));
        CHECK(agrees(mismatch_loss_db(g), row.mismatch_loss, row.mismatch_loss < 1 ? 0.00005 : 0.0005));
        CHECK(reflection_from_powers(100.0, 100.0 * g * g) == doctest::Approx(g));
        CHECK(vswr_of(g) == doctest::Approx(row.vswr));
    }
}

TEST_CASE("return loss to VSWR and reflection, as printed") {
    struct Row {
        double return_loss, vswr, reflection;
    };
    // Read: VSWR and return-loss table of radio-electronics.com.
    for (const Row& row : {Row{6, 3.010, .501}, Row{10, 1.925, .316}, Row{14, 1.499, .200}, Row{20, 1.222, .100},
                           Row{26, 1.105, .050}, Row{30, 1.065, .032}}) {
        CAPTURE(row.return_loss);
        const double g = std::pow(10.0, -row.return_loss / 20);
        CHECK(return_loss_db(g) == doctest::Approx(row.return_loss));
        CHECK(agrees(g, row.reflection, 0.0005));
        CHECK(agrees(vswr_of(g), row.vswr, 0.0006));  // 26 dB is 1.1055: the table cut it to 1.105
    }
    // Computed: 10.88 dB and 28.6 % belong to VSWR 1.8; a published table with 10.2 dB is wrong.
    CHECK(agrees(return_loss_db(reflection_from_vswr(1.8)), 10.88, 0.005));
    CHECK(agrees(reflection_from_vswr(1.8), 0.286, 0.0005));
}

TEST_CASE("directivity, leak in the reflected arm alone") {
    SUBCASE("return loss 20 dB at 35 dB") {  // second-hand: the example of Agilent AN 1287-3; the limits are computed
        const auto seen = indicated_interval(0.1, 35.0, LeakyArms::reflected);
        CHECK(agrees(return_loss_db(seen.high), 18.58, 0.005));
        CHECK(agrees(return_loss_db(seen.low), 21.70, 0.005));
    }
    SUBCASE("return loss 30 dB at 40 dB") {  // computed
        const auto seen = indicated_interval(std::pow(10.0, -1.5), 40.0, LeakyArms::reflected);
        CHECK(agrees(return_loss_db(seen.high), 27.61, 0.005));
        CHECK(agrees(return_loss_db(seen.low), 33.30, 0.005));
    }
    SUBCASE("a perfect load") {  // computed
        struct Row {
            double directivity, vswr;
        };
        for (const Row& row : {Row{20, 1.222}, Row{25, 1.119}, Row{30, 1.065}, Row{40, 1.020}}) {
            CHECK(
                agrees(vswr_of(indicated_interval(0.0, row.directivity, LeakyArms::reflected).high), row.vswr, .0005));
            CHECK(agrees(vswr_of(indicated_interval(0.0, row.directivity, LeakyArms::both).high), row.vswr, .0005));
        }
    }
    SUBCASE("loads of VSWR 1.5 to 3") {  // computed
        struct Row {
            double true_vswr, directivity, low, high;
        };
        for (const Row& row : {Row{1.5, 20, 1.222, 1.857}, Row{1.5, 30, 1.405, 1.603}, Row{2.0, 20, 1.609, 2.529},
                               Row{2.0, 30, 1.864, 2.149}, Row{3.0, 20, 2.333, 4.000}}) {
            CAPTURE(row.true_vswr);
            CAPTURE(row.directivity);
            const auto seen =
                indicated_interval(reflection_from_vswr(row.true_vswr), row.directivity, LeakyArms::reflected);
            CHECK(agrees(vswr_of(seen.low), row.low, 0.0005));
            CHECK(agrees(vswr_of(seen.high), row.high, 0.0005));
        }
    }
}

TEST_CASE("directivity, leak in both arms") {
    // Computed: true VSWR 3.0 at 20 dB shows 2.231 to 4.429.
    const auto seen = indicated_interval(0.5, 20.0, LeakyArms::both);
    CHECK(agrees(vswr_of(seen.low), 2.231, 0.0005));
    CHECK(agrees(vswr_of(seen.high), 4.429, 0.0005));
    // Turned round, each end of what may be shown has the true value at an end of its own interval.
    CHECK(reflection_interval(seen.high, 20.0).low == doctest::Approx(0.5));
    CHECK(reflection_interval(seen.low, 20.0).high == doctest::Approx(0.5));
}

TEST_CASE("the interval is open where directivity can't bound it") {
    CHECK_FALSE(reflection_interval(0.5, 20.0).open_ended);
    CHECK(reflection_interval(0.95, 20.0).open_ended);  // (0.95 + 0.1) / (1 - 0.095) is above 1
    CHECK(reflection_interval(1.0, 40.0).open_ended);
    for (const double directivity : {0.0, -3.0, not_a_number, -infinity}) {
        const auto all = reflection_interval(0.3, directivity);
        CHECK(all.low == 0.0);
        CHECK(all.high == 1.0);
        CHECK(all.open_ended);
    }
    CHECK(reflection_interval(0.0, 0.0).open_ended);  // 1 exactly
    // A denominator of zero: total reflection seen through a coupler with no directivity.
    CHECK(reflection_interval(1.0, 0.0).open_ended);
    CHECK(reflection_interval(1.0, 0.0).high == 1.0);
}

TEST_CASE("the true value lies in the interval of whatever is shown") {
    std::mt19937_64 random{20240611};
    std::uniform_real_distribution<double> unit{0.0, 1.0};
    for (int i = 0; i < 20000; ++i) {
        const double g = unit(random);
        const double directivity = 1.0 + 44.0 * unit(random);
        const auto seen = indicated_interval(g, directivity, LeakyArms::both);
        REQUIRE(seen.low <= g);
        REQUIRE(seen.high >= g);
        const auto back = reflection_interval(seen.low + (seen.high - seen.low) * unit(random), directivity);
        REQUIRE(back.low <= g + 1e-12);
        REQUIRE(back.high >= g - 1e-12);
        REQUIRE(back.open_ended == (back.high >= 1.0));
    }
}

TEST_CASE("behind a feeder") {
    // Computed: total reflection behind 4.77 dB reads VSWR 2.0; behind L dB, return loss 2 L.
    CHECK(agrees(vswr_of(lost_antenna_reflection(4.77)), 2.0, 0.005));
    for (const double loss : {0.3, 0.8, 1.5, 3.0, 4.77, 10.0}) {
        CHECK(return_loss_db(lost_antenna_reflection(loss)) == doctest::Approx(2 * loss));
        CHECK(reflection_at_far_end(lost_antenna_reflection(loss), loss) == doctest::Approx(1.0));
        // Return loss at the antenna = return loss at the coupler less twice the feeder's loss.
        const double g = std::pow(10.0, -30.0 / 20);
        CHECK(return_loss_db(reflection_at_far_end(g, loss)) == doctest::Approx(30.0 - 2 * loss));
    }
    CHECK(reflection_at_far_end(0.9, 3.0) == 1.0);
    CHECK(reflection_at_far_end(0.2, 0.0) == 0.2);
    CHECK(reflection_at_far_end(0.2, -5.0) == 0.2);  // a feeder doesn't amplify
    CHECK(lost_antenna_reflection(0.0) == 1.0);
}

TEST_CASE("power in dBm and in watts") {
    struct Row {
        double dbm, watts, half_digit;
    };
    // The trade's table of round powers; 30 dBm is a watt by definition.
    for (const Row& row : {Row{50, 100, 1e-9}, Row{49, 80, 0.6}, Row{47.2, 52.5, 0.05}, Row{44.5, 28, 0.5},
                           Row{39, 8, 0.5}, Row{37.8, 6, 0.5}, Row{30, 1, 1e-12}, Row{0, 0.001, 1e-15}}) {
        CAPTURE(row.dbm);
        CHECK(agrees(watts_from_dbm(row.dbm), row.watts, row.half_digit));
        CHECK(dbm_from_watts(watts_from_dbm(row.dbm)) == doctest::Approx(row.dbm));
    }
    CHECK(dbm_from_watts(0.0) == -200.0);
    CHECK(dbm_from_watts(-5.0) == -200.0);
    CHECK(db_from_ratio(2.0) == doctest::Approx(3.0103));
    CHECK(db_from_ratio(0.0) == -200.0);
}

TEST_CASE("main-line loss of an ideal coupler") {
    struct Row {
        double coupling, loss, half_digit;
    };
    // Read: Mini-Circuits AN-30-004, table, for 3 to 16.5 dB. Computed: 20 and 30 dB.
    for (const Row& row : {Row{3, 3.021, .0005}, Row{6, 1.256, .0005}, Row{10, 0.458, .0005}, Row{16.5, 0.098, .0005},
                           Row{20, 0.0436, .00005}, Row{30, 0.00435, .000005}}) {
        CAPTURE(row.coupling);
        CHECK(agrees(coupler_main_line_loss_db(row.coupling), row.loss, row.half_digit));
    }
    CHECK(coupler_main_line_loss_db(0.0) == 200.0);
    CHECK(coupler_main_line_loss_db(-10.0) == 200.0);
}

TEST_CASE("log detectors at their data sheets' points") {
    // AD8318 at 2.2 GHz: slope and intercept second-hand from the data sheet, voltages computed.
    const Detector ad8318 = LogDetector{-0.0244, 19.6};
    CHECK(agrees(detector_volts(ad8318, -10), 0.722, 0.0005));
    CHECK(agrees(detector_volts(ad8318, -40), 1.454, 0.0005));
    CHECK(falls_with_power(ad8318));
    // AD8317: slope and intercept read in the data sheet (nominal). At 5.8 GHz it reads 0.59 V at -10 and 1.27 V at
    // -40 dBm (data sheet, page 4), which is a slope of -22.7 mV/dB: nominal values give them within 60 mV only.
    const auto ad8317 = log_detector_through({0.59, -10}, {1.27, -40});
    REQUIRE(ad8317);
    CHECK(ad8317->slope_v_per_db == doctest::Approx(-0.022667).epsilon(0.0001));
    CHECK(std::abs(detector_volts(LogDetector{-0.022, 15.0}, -10) - 0.59) < 0.06);
    CHECK(std::abs(detector_volts(LogDetector{-0.022, 15.0}, -40) - 1.27) < 0.08);
    // AD8312 at 2.2 and 2.5 GHz: all read in the data sheet (typical values; at 2.5 GHz the line gives 4 mV more).
    const Detector ad8312 = LogDetector{0.0191, -52.1};
    CHECK(agrees(detector_volts(ad8312, -10), 0.803, 0.0015));
    CHECK(agrees(detector_volts(ad8312, -40), 0.230, 0.0015));
    CHECK_FALSE(falls_with_power(ad8312));
    const Detector ad8312_high = LogDetector{0.0186, -51.2};
    CHECK(agrees(detector_volts(ad8312_high, -10), 0.762, 0.0045));
    CHECK(agrees(detector_volts(ad8312_high, -40), 0.204, 0.0045));
    // AD8311 at 2.5 GHz: read in the data sheet.
    const Detector ad8311 = LogDetector{0.0225, -60.6};
    CHECK(agrees(detector_volts(ad8311, -10), 1.14, 0.005));
    CHECK(agrees(detector_volts(ad8311, -40), 0.46, 0.005));
}

TEST_CASE("calibration by two points") {
    // Read: AD8318 data sheet, Rev. 0, page 16, equations 9 to 12; here with its own 2.2 GHz line.
    const auto line = log_detector_through({0.72224, -10.0}, {1.45424, -40.0});
    REQUIRE(line);
    CHECK(line->slope_v_per_db == doctest::Approx(-0.0244));
    CHECK(line->intercept_dbm == doctest::Approx(19.6));
    CHECK(detector_dbm(*line, 1.0) == doctest::Approx(1.0 / -0.0244 + 19.6));
    CHECK_FALSE(log_detector_through({0.7, -10}, {1.4, -10}));     // two voltages for one power
    CHECK_FALSE(log_detector_through({0.7, -10}, {0.7, -40}));     // one voltage for two powers
    CHECK(log_detector_through({1.0, 1.0}, {0.0, 0.0}));           // a volt per dB is strange, and a line
    CHECK_FALSE(log_detector_through({1.0, 0.0}, {0.0, 1e-320}));  // steeper than a number can say
    CHECK_FALSE(log_detector_through({not_a_number, -10}, {0.7, -40}));
    CHECK_FALSE(log_detector_through({0.6, infinity}, {0.7, -40}));
}

TEST_CASE("a table is linear in dB between its points, and goes on beyond its ends") {
    for (const bool rising : {true, false}) {
        CAPTURE(rising);
        const double sign = rising ? 1.0 : -1.0;
        const Detector table = TableDetector{{{sign * 1.0, -40}, {sign * 2.0, -30}, {sign * 2.5, 0}}};
        CHECK(falls_with_power(table) == !rising);
        CHECK(detector_dbm(table, sign * 1.0) == doctest::Approx(-40));
        CHECK(detector_dbm(table, sign * 1.5) == doctest::Approx(-35));
        CHECK(detector_dbm(table, sign * 2.0) == doctest::Approx(-30));
        CHECK(detector_dbm(table, sign * 2.25) == doctest::Approx(-15));
        CHECK(detector_dbm(table, sign * 2.5) == doctest::Approx(0));
        CHECK(detector_dbm(table, sign * 0.5) == doctest::Approx(-45));
        CHECK(detector_dbm(table, sign * 2.6) == doctest::Approx(6));
    }
}

TEST_CASE("a square-law diode gives a voltage in proportion to the power") {
    const Detector diode = SquareLawDetector{500.0};              // 0.5 mV per microwatt, an invented part
    CHECK(detector_dbm(diode, 0.005) == doctest::Approx(-20.0));  // 10 uW
    CHECK(detector_dbm(diode, 0.020) == doctest::Approx(-20.0 + db_from_ratio(4.0)));
    CHECK(detector_dbm(diode, 0.0) == -200.0);
    CHECK(detector_dbm(diode, -0.001) == -200.0);
    CHECK_FALSE(falls_with_power(diode));
}

TEST_CASE("from volts to watts on the main line") {
    PowerChain chain;
    chain.detector = LogDetector{-0.0244, 19.6};
    chain.coupling_db = 30;
    chain.pads_db = 20;
    chain.floor_dbm = -50;
    chain.ceiling_dbm = 5;
    const double volts_at_0_dbm = detector_volts(chain.detector, 0.0);

    SUBCASE("100 W through a 30 dB coupler and a 20 dB pad is 0 dBm") {  // computed
        const auto power = line_power(chain, volts_at_0_dbm, {});
        CHECK(power.range == DetectorRange::inside);
        CHECK(power.watts == doctest::Approx(100.0));
        CHECK(power.dbm == doctest::Approx(50.0));
    }
    SUBCASE("each part in the way is added") {
        chain.cable_db = 0.5;
        chain.waveform_db = 2.51;  // Gaussian noise: read in "Measurement and Control of RF Power, Part III"
        CHECK(line_power(chain, volts_at_0_dbm, {}).dbm == doctest::Approx(53.01));
    }
    SUBCASE("below the floor: at most the floor's power") {
        const auto power = line_power(chain, 2.1, {});
        CHECK(power.range == DetectorRange::at_floor);
        CHECK(power.dbm == doctest::Approx(0.0));
        CHECK(power.watts == doctest::Approx(0.001));
    }
    SUBCASE("above the ceiling: at least the ceiling's power") {
        const auto power = line_power(chain, 0.2, {});
        CHECK(power.range == DetectorRange::above_ceiling);
        CHECK(power.dbm == doctest::Approx(55.0));
    }
    SUBCASE("the ends themselves are inside") {
        chain.detector = LogDetector{0.5, 0.0};  // exact in binary
        chain.floor_dbm = -4;
        CHECK(line_power(chain, -2.0, {}).range == DetectorRange::inside);
        CHECK(line_power(chain, 2.5, {}).range == DetectorRange::inside);
        CHECK(line_power(chain, -2.001, {}).range == DetectorRange::at_floor);
        CHECK(line_power(chain, 2.501, {}).range == DetectorRange::above_ceiling);
    }
    SUBCASE("temperature coefficient") {
        chain.temperature_db_per_k = 0.02;
        CHECK(line_power(chain, volts_at_0_dbm, 45.0).dbm == doctest::Approx(50.4));
        CHECK(line_power(chain, volts_at_0_dbm, 5.0).dbm == doctest::Approx(49.6));
        CHECK(line_power(chain, volts_at_0_dbm, {}).dbm == doctest::Approx(50.0));
        CHECK(line_power(chain, volts_at_0_dbm, not_a_number).dbm == doctest::Approx(50.0));
    }
    SUBCASE("what can't be told is too much, never too little") {
        for (const double volts : {not_a_number, infinity, -infinity}) {
            const auto power = line_power(chain, volts, {});
            CHECK(power.range == DetectorRange::above_ceiling);
            CHECK(std::isfinite(power.watts));
        }
        chain.detector = TableDetector{};
        CHECK(line_power(chain, 1.0, {}).range == DetectorRange::above_ceiling);
        chain.detector = TableDetector{{{1.0, -10}, {1.0, 0}}};
        CHECK(line_power(chain, 1.0, {}).range == DetectorRange::above_ceiling);
        chain.detector = LogDetector{0.0, 0.0};
        CHECK(line_power(chain, 1.0, {}).range == DetectorRange::above_ceiling);
        chain.detector = SquareLawDetector{0.0};
        CHECK(line_power(chain, 1.0, {}).range == DetectorRange::above_ceiling);
    }
}

TEST_CASE("every conversion and its inverse meet again") {
    std::mt19937_64 random{7};
    std::uniform_real_distribution<double> dbm{-45.0, -2.0};
    std::uniform_real_distribution<double> unit{1e-6, 1.0 - 1e-6};
    for (int i = 0; i < 5000; ++i) {
        const double p = dbm(random);
        for (const Detector& detector : some_detectors()) {
            REQUIRE(detector_dbm(detector, detector_volts(detector, p)) == doctest::Approx(p).epsilon(1e-9));
        }
        REQUIRE(dbm_from_watts(watts_from_dbm(p)) == doctest::Approx(p).epsilon(1e-12));
        const double g = unit(random);
        REQUIRE(reflection_from_vswr(vswr_from_reflection(g)) == doctest::Approx(g).epsilon(1e-9));
        REQUIRE(std::pow(10.0, -return_loss_db(g) / 20.0) == doctest::Approx(g).epsilon(1e-9));
        REQUIRE(reflection_from_powers(50.0, 50.0 * g * g) == doctest::Approx(g).epsilon(1e-9));
        REQUIRE(std::sqrt(1.0 - std::pow(10.0, -mismatch_loss_db(g) / 10.0)) == doctest::Approx(g).epsilon(1e-4));
    }
}

TEST_CASE("everything is monotone") {
    for (const Detector& detector : some_detectors()) {
        double before = -1e9;
        for (int i = -600; i <= 300; ++i) {
            const double volts = detector_volts(detector, 0.1 * i) * (falls_with_power(detector) ? -1.0 : 1.0);
            REQUIRE(volts > before);
            before = volts;
        }
    }
    for (int i = 0; i < 1000; ++i) {
        const double a = i / 1000.0;
        const double b = (i + 1) / 1000.0;
        REQUIRE(vswr_from_reflection(a) < vswr_from_reflection(b));
        REQUIRE(return_loss_db(a) > return_loss_db(b));
        REQUIRE(mismatch_loss_db(a) < mismatch_loss_db(b));
        REQUIRE(reflection_from_powers(10, 10 * a) < reflection_from_powers(10, 10 * b));
        REQUIRE(reflection_interval(a, 25).low <= reflection_interval(b, 25).low);
        REQUIRE(reflection_interval(a, 25).high <= reflection_interval(b, 25).high);
    }
}

TEST_CASE("edges of the scale") {
    CHECK(vswr_from_reflection(0.0) == 1.0);
    CHECK(vswr_from_reflection(1.0) == unbounded);
    CHECK(vswr_from_reflection(1.0 - 1e-16) <= unbounded);
    CHECK(reflection_from_vswr(1.0) == 0.0);
    CHECK(reflection_from_vswr(0.5) == 0.0);
    CHECK(reflection_from_vswr(unbounded) == 1.0);
    CHECK(return_loss_db(0.0) == 200.0);
    CHECK(return_loss_db(1.0) == 0.0);
    CHECK(mismatch_loss_db(0.0) == 0.0);
    CHECK(mismatch_loss_db(1.0) == 200.0);
    CHECK(reflection_from_powers(10.0, 0.0) == 0.0);
    CHECK(reflection_from_powers(10.0, -1.0) == 0.0);
    CHECK(reflection_from_powers(10.0, 10.0) == 1.0);
    CHECK(reflection_from_powers(10.0, 11.0) == 1.0);
}

TEST_CASE("an unknown is the worst it could be") {
    CHECK(reflection_from_powers(not_a_number, 1.0) == 1.0);
    CHECK(reflection_from_powers(10.0, not_a_number) == 1.0);
    CHECK(reflection_from_powers(0.0, 0.0) == 1.0);
    CHECK(reflection_from_powers(infinity, 1.0) == 1.0);
    CHECK(vswr_from_reflection(not_a_number) == unbounded);
    CHECK(return_loss_db(not_a_number) == 0.0);
    CHECK(mismatch_loss_db(not_a_number) == 200.0);
    CHECK(reflection_at_far_end(0.1, not_a_number) == 1.0);
    CHECK(reflection_interval(not_a_number, 30.0).open_ended);
    CHECK(watts_from_dbm(not_a_number) == watts_from_dbm(200.0));
}

TEST_CASE("no input, however awkward, gives anything but a finite number") {
    const auto numbers = awkward_numbers();
    for (const double a : numbers) {
        CAPTURE(a);
        for (const double f :
             {dbm_from_watts(a), watts_from_dbm(a), db_from_ratio(a), vswr_from_reflection(a), reflection_from_vswr(a),
              return_loss_db(a), mismatch_loss_db(a), coupler_main_line_loss_db(a), lost_antenna_reflection(a)}) {
            REQUIRE(std::isfinite(f));
        }
        for (const double b : numbers) {
            CAPTURE(b);
            REQUIRE(std::isfinite(reflection_from_powers(a, b)));
            REQUIRE(std::isfinite(reflection_at_far_end(a, b)));
            for (const auto& interval : {reflection_interval(a, b), indicated_interval(a, b, LeakyArms::both),
                                         indicated_interval(a, b, LeakyArms::reflected)}) {
                REQUIRE(interval.low >= 0.0);
                REQUIRE(interval.low <= interval.high);
                REQUIRE(interval.high <= 1.0);
            }
            for (const double c : numbers) {
                const Detector detectors[] = {LogDetector{a, b}, SquareLawDetector{a},
                                              TableDetector{{{a, b}, {b, c}, {c, a}}}};
                for (const Detector& detector : detectors) {
                    REQUIRE(std::isfinite(detector_dbm(detector, c)));
                    REQUIRE(std::isfinite(detector_volts(detector, c)));
                    PowerChain chain;
                    chain.detector = detector;
                    chain.coupling_db = b;
                    chain.floor_dbm = c;
                    chain.ceiling_dbm = a;
                    chain.temperature_db_per_k = a;
                    const LinePower power = line_power(chain, c, b);
                    REQUIRE(std::isfinite(power.watts));
                    REQUIRE(std::isfinite(power.dbm));
                }
            }
        }
    }
}

TEST_CASE("a table of two points, and one that tells nothing") {
    const Detector falling = TableDetector{{{1.6, -40.0}, {0.6, 0.0}}},
                   rising = TableDetector{{{0.2, -40.0}, {1.0, 0.0}}};
    CHECK(detector_dbm(falling, 1.1) == doctest::Approx(-20.0));
    CHECK(detector_volts(falling, -20.0) == doctest::Approx(1.1));
    CHECK(falls_with_power(falling));
    CHECK(detector_dbm(rising, 0.4) == doctest::Approx(-30.0));
    CHECK(detector_volts(rising, -30.0) == doctest::Approx(0.4));
    CHECK_FALSE(falls_with_power(rising));
    for (const Detector& nothing : {Detector{TableDetector{{{1.0, -20.0}}}}, Detector{TableDetector{{}}}}) {
        CHECK(detector_dbm(nothing, 1.0) == 200.0);
        CHECK(detector_volts(nothing, -20.0) == 0.0);
        CHECK_FALSE(falls_with_power(nothing));
    }
}

TEST_CASE("detectors that can't be used, and those that look nearly so") {
    for (const double volts : {-1.0, 0.0, 1.0}) {
        CHECK(detector_dbm(LogDetector{0.0, 20.0}, volts) == 200.0);
        CHECK(detector_dbm(SquareLawDetector{0.0}, volts) == 200.0);
        CHECK(detector_dbm(SquareLawDetector{-1.0}, volts) == 200.0);
    }
    CHECK(detector_volts(LogDetector{not_a_number, 0.0}, -20.0) == 0.0);
    CHECK(detector_dbm(LogDetector{1.0, 3.0}, 2.0) == doctest::Approx(5.0));
    CHECK(detector_dbm(SquareLawDetector{0.5}, 0.5) == doctest::Approx(30.0));  // 1 W
}

TEST_CASE("small powers are powers, and what divides by nothing is the worst") {
    CHECK(reflection_from_powers(0.5, 0.125) == doctest::Approx(0.5));
    CHECK(reflection_from_powers(0.0, 0.0) == 1.0);
    CHECK(reflection_from_powers(-1.0, 0.0) == 1.0);
    CHECK(db_from_ratio(0.5) == doctest::Approx(-3.0103));
    for (const double nothing : {0.0, -1.0, not_a_number, -infinity}) {
        CHECK(db_from_ratio(nothing) == -200.0);
        CHECK(dbm_from_watts(nothing) == -200.0);
    }
    CHECK(coupler_main_line_loss_db(not_a_number) == 200.0);
    CHECK(lost_antenna_reflection(not_a_number) == 1.0);
}

TEST_CASE("what a coupler may show of a load: its directivity is believed from 0 dB on, and where it is open is said") {
    CHECK(indicated_interval(0.0, 0.5, LeakyArms::both).high == doctest::Approx(0.94406));  // 10^(-0.5/20)
    CHECK(indicated_interval(0.0, not_a_number, LeakyArms::both).high == 1.0);
    CHECK(indicated_interval(0.0, 0.0, LeakyArms::reflected).open_ended);  // 1 exactly
    CHECK(indicated_interval(0.95, 20.0, LeakyArms::both).open_ended);
    CHECK_FALSE(indicated_interval(0.5, 20.0, LeakyArms::both).open_ended);
    CHECK(indicated_interval(1.0, 0.0, LeakyArms::both).open_ended);
    CHECK(indicated_interval(1.0, 0.0, LeakyArms::both).high == 1.0);
}
