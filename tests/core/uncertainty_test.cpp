#include "maths/uncertainty.hpp"

#include <doctest/doctest.h>

#include <cmath>
#include <limits>
#include <random>

using namespace dekeyd::core;

namespace {

constexpr double not_a_number = std::numeric_limits<double>::quiet_NaN();
constexpr double infinity = std::numeric_limits<double>::infinity();

PowerChain chain_with(double conformance, double calibration, double temperature, double coupling, double converter,
                      double mismatch) {
    PowerChain chain;
    chain.detector = LogDetector{-0.0244, 19.6};
    chain.conformance_db = conformance;
    chain.calibration_db = calibration;
    chain.temperature_db = temperature;
    chain.coupling_tolerance_db = coupling;
    chain.converter_db = converter;
    chain.mismatch_db = mismatch;
    return chain;
}

}  // namespace

TEST_CASE("terms add as squares at k = 2; the worst case is their sum") {
    const auto budget = power_budget(chain_with(1.0, 0.4, 0.3, 0.5, 0.1, 0.2));
    // Computed by hand: limits count 2/sqrt(3) times, mismatch sqrt(2) times (GUM, 4.3.7 and its U-shaped case, from
    // memory): sqrt(4/3 (0.01 + 1 + 0.09 + 0.25) + 0.16 + 2 * 0.04) = 1.42829 dB; sum 2.5 dB.
    CHECK(budget.combined_db == doctest::Approx(1.42829).epsilon(1e-5));
    CHECK(budget.worst_db == doctest::Approx(2.5));
    // Every term has its name and its own number, for `explain`.
    const char* names[] = {"converter", "conformance", "calibration", "temperature", "coupling", "mismatch"};
    const double stated[] = {0.1, 1.0, 0.4, 0.3, 0.5, 0.2};
    const double counted[] = {0.11547, 1.15470, 0.4, 0.34641, 0.57735, 0.28284};
    for (std::size_t i = 0; i < budget.terms.size(); ++i) {
        CHECK(budget.terms[i].name == names[i]);
        CHECK(budget.terms[i].stated_db == stated[i]);
        CHECK(budget.terms[i].at_k2_db == doctest::Approx(counted[i]).epsilon(1e-4));
    }
    CHECK(power_budget(chain_with(0, 0, 0, 0, 0, 0)).combined_db == 0.0);
    // One term alone can't be off by more than its limits.
    CHECK(power_budget(chain_with(1.0, 0, 0, 0, 0, 0)).combined_db == 1.0);
    CHECK(text(ErrorSpread::limits) == "limits");
}

TEST_CASE("a term that nobody can state is a large one") {
    for (const double bad : {-0.1, not_a_number, infinity, 1e300}) {
        const auto budget = power_budget(chain_with(bad, 0, 0, 0, 0, 0));
        CHECK(budget.combined_db == doctest::Approx(largest_term_db));
    }
}

TEST_CASE("decibels to percent") {
    // Computed: a log detector's +-1 dB is -20.6 % and +25.9 %.
    const auto percent = percent_from_db(1.0);
    CHECK(percent.low == doctest::Approx(-20.567).epsilon(1e-4));
    CHECK(percent.high == doctest::Approx(25.893).epsilon(1e-4));
    CHECK(percent_from_db(0).high == 0.0);
    CHECK(std::isfinite(percent_from_db(not_a_number).high));
    CHECK(std::isfinite(percent_from_db(infinity).high));
}

TEST_CASE("a power with its interval") {
    const auto budget = power_budget(chain_with(1.0, 0, 0, 0, 0, 0));
    SUBCASE("inside the detector's range") {
        const auto e = power_estimate({100.0, 50.0, DetectorRange::inside}, budget);
        CHECK(e.value == 100.0);
        CHECK(e.low == doctest::Approx(79.433));
        CHECK(e.high == doctest::Approx(125.893));
    }
    SUBCASE("at the floor it may be nothing") {
        const auto e = power_estimate({0.001, 0.0, DetectorRange::at_floor}, budget);
        CHECK(e.low == 0.0);
        CHECK(e.high == doctest::Approx(0.00125893));
    }
    SUBCASE("above the ceiling it may be anything more") {
        const auto e = power_estimate({300.0, 54.8, DetectorRange::above_ceiling}, budget);
        CHECK(e.low == doctest::Approx(300 * 0.79433));
        CHECK(e.high == unbounded);
    }
    SUBCASE("the worst case is wider") {
        const auto both = power_budget(chain_with(1.0, 0.5, 0.3, 0.5, 0.1, 0.2));
        const LinePower power{100.0, 50.0, DetectorRange::inside};
        CHECK(worst_power_estimate(power, both).low < power_estimate(power, both).low);
        CHECK(worst_power_estimate(power, both).high > power_estimate(power, both).high);
    }
}

TEST_CASE("mismatch between source and load") {
    struct Row {
        double source_vswr, load_vswr, percent;
    };
    // Read: a wattmeter handbook (5015 series), pages 9 and 10.
    for (const Row& row : {Row{1.5, 1.2, 3.67}, Row{1.3, 1.2, 2.39}, Row{1.5, 1.03, 0.59}}) {
        CAPTURE(row.source_vswr);
        CAPTURE(row.load_vswr);
        const auto p = mismatch_percent(reflection_from_vswr(row.source_vswr), reflection_from_vswr(row.load_vswr));
        CHECK(std::abs(p.high - row.percent) < 0.0101);  // the handbook rounds the reflections to three digits
        CHECK(p.low < 0.0);
        CHECK(-p.low < p.high);
    }
    CHECK(mismatch_uncertainty_db(0.2, 1.0 / 11) == doctest::Approx(-20 * std::log10(1 - 0.2 / 11)));
    CHECK(mismatch_uncertainty_db(1.0, 1.0) == largest_term_db);
    CHECK(mismatch_uncertainty_db(0.0, 0.5) == 0.0);
}

TEST_CASE("a converter seen through the detector") {
    // Computed: 62.5 uV steps and 0.1 % of 0.722 V through 24.4 mV/dB: (0.03125 + 0.722) mV / 24.4 mV = 0.0309 dB.
    const Detector log = LogDetector{-0.0244, 19.6};
    CHECK(converter_uncertainty_db(log, 0.722, 62.5e-6, 0.001) == doctest::Approx(0.030871).epsilon(1e-3));
    CHECK(converter_uncertainty_db(log, 0.722, 0.0, 0.0) == 0.0);
    // A square-law diode near its zero: one step is a world.
    CHECK(converter_uncertainty_db(SquareLawDetector{500}, 0.0001, 0.001, 0.0) == largest_term_db);
    CHECK(converter_uncertainty_db(LogDetector{0.0, 1.0}, not_a_number, infinity, 1.0) <= largest_term_db);
}

TEST_CASE("VSWR with its interval") {
    SUBCASE("as directivity leaves it") {  // computed: see the two-arm interval's own test
        const auto e = vswr_estimate(1.0 / 3.0, 30.0, 0.0);
        CHECK(e.value == doctest::Approx(2.0));
        const auto g = reflection_interval(1.0 / 3.0, 30.0);
        CHECK(e.low == doctest::Approx(vswr_from_reflection(g.low)));
        CHECK(e.high == doctest::Approx(vswr_from_reflection(g.high)));
    }
    SUBCASE("widened by what the two chains may be off") {
        const auto narrow = vswr_estimate(0.2, 30.0, 0.0);
        const auto wide = vswr_estimate(0.2, 30.0, 1.0);
        CHECK(wide.value == narrow.value);
        CHECK(wide.low < narrow.low);
        CHECK(wide.high > narrow.high);
    }
    SUBCASE("open-ended where it is") {
        CHECK(vswr_estimate(0.95, 20.0, 0.0).high == unbounded);
        CHECK(vswr_estimate(0.1, std::nullopt, 0.0).low == 1.0);
        CHECK(vswr_estimate(0.1, std::nullopt, 0.0).high == unbounded);
    }
    CHECK(ratio_uncertainty_db(power_budget(chain_with(0, 0.3, 0, 0, 0, 0)),
                               power_budget(chain_with(0, 0.4, 0, 0, 0, 0))) == doctest::Approx(0.5));
}

TEST_CASE("errors travel by squares, each side for itself") {
    const auto product = [](const std::array<double, 2>& x) { return x[0] * x[1]; };
    const auto e = propagate(product, std::array{Estimate{28.0, 27.0, 28.5}, Estimate{10.0, 9.8, 10.4}});
    CHECK(e.value == 280.0);
    CHECK(e.low == doctest::Approx(280 - std::hypot(10.0, 5.6)));
    CHECK(e.high == doctest::Approx(280 + std::hypot(5.0, 11.2)));
    const auto falling = propagate([](const std::array<double, 1>& x) { return -x[0]; }, std::array{Estimate{5, 4, 7}});
    CHECK(falling.low == -7.0);
    CHECK(falling.high == -4.0);
}

TEST_CASE("an estimate is always in order and finite") {
    const double awkward[] = {0.0, 1.0, -1.0, 1e300, -1e300, not_a_number, infinity, -infinity};
    for (const double a : awkward) {
        for (const double b : awkward) {
            for (const double c : awkward) {
                const auto product = [](const std::array<double, 2>& x) { return x[0] * x[1]; };
                for (const Estimate& e :
                     {tidy({a, b, c}), propagate(product, std::array{Estimate{a, b, c}, Estimate{c, a, b}}),
                      vswr_estimate(a, b, c), reflection_estimate(a, b, c)}) {
                    REQUIRE(std::isfinite(e.value));
                    REQUIRE(std::isfinite(e.low));
                    REQUIRE(std::isfinite(e.high));
                    REQUIRE(e.low <= e.value);
                    REQUIRE(e.value <= e.high);
                }
                REQUIRE(std::isfinite(mismatch_percent(a, b).high));
                REQUIRE(std::isfinite(mismatch_uncertainty_db(a, b)));
                REQUIRE(std::isfinite(converter_uncertainty_db(LogDetector{a, b}, c, a, b)));
            }
        }
    }
    CHECK(tidy({5, 6, 4}).low == 5);
    CHECK(tidy({5, 6, 4}).high == 5);
}

TEST_CASE("the stated interval covers what independent errors do") {
    std::mt19937_64 random{31};
    std::normal_distribution<double> normal;
    std::uniform_real_distribution<double> even{-1.0, 1.0};
    const auto budget = power_budget(chain_with(0.5, 0.6, 0.3, 0.5, 0.2, 0.4));
    int inside = 0;
    constexpr int cases = 20000;
    for (int i = 0; i < cases; ++i) {
        double error_db = 0.0;
        for (const BudgetTerm& term : budget.terms) {
            const double share = term.spread == ErrorSpread::normal   ? normal(random) / 2.0
                                 : term.spread == ErrorSpread::limits ? even(random)
                                                                      : std::sin(3.14159265 * even(random));
            error_db += share * term.stated_db;
        }
        const double shown = watts_from_dbm(50.0 + error_db);
        const auto e = power_estimate({shown, dbm_from_watts(shown), DetectorRange::inside}, budget);
        inside += e.low <= 100.0 && 100.0 <= e.high ? 1 : 0;
    }
    MESSAGE("coverage of the combined interval: " << 100.0 * inside / cases << " %");
    CHECK(inside > cases * 0.95);
    CHECK(inside < cases * 0.98);
}
