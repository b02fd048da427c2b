#include "maths/exposure.hpp"

#include <doctest/doctest.h>

#include <cmath>
#include <limits>
#include <random>

#include "plan/reading.hpp"

using namespace dekeyd::core;

namespace {

constexpr double not_a_number = std::numeric_limits<double>::quiet_NaN();
constexpr double infinity = std::numeric_limits<double>::infinity();

double limit(ExposureRule rule, ExposureGroup group, double mhz) {
    const auto found = exposure_limit(rule, group, mhz * 1e6);
    return found ? found->w_per_m2 : -1.0;
}

ExposureInput hilltop() {
    ExposureInput in;
    in.power_w = 120;
    in.feeder_loss_db = 0.8;
    in.frequency_hz = 1262e6;
    in.gain_dbi = 12;
    in.ground_factor = ground_none;
    in.limit_w_per_m2 = 6.31;
    return in;
}

}  // namespace

TEST_CASE("far field") {
    // Second-hand: FCC OET 65's equation in a device manual: 39.811 mW, 0 dBi, 0.2 m is 0.00792 mW/cm2 (0.0792 W/m2).
    CHECK(std::abs(far_field_w_per_m2(0.039811, 0, 0.2, ground_none) - 0.0792) < 0.00005);
    CHECK(far_field_w_per_m2(100, 10, 10, ground_perfect) ==
          doctest::Approx(4 * far_field_w_per_m2(100, 10, 10, ground_none)));
    CHECK(far_field_w_per_m2(100, 10, 0.0, 1) == unbounded);
    // The distance is the density's inverse.
    for (const double r : {0.5, 3.0, 20.0, 400.0}) {
        for (const double ground : {ground_none, ground_usual, ground_perfect}) {
            CHECK(far_field_distance_m(120, 14, far_field_w_per_m2(120, 14, r, ground), ground) == doctest::Approx(r));
        }
    }
    CHECK(far_field_distance_m(120, 14, 0.0, 1) == unbounded);
    CHECK(eirp_w(100, 10) == doctest::Approx(1000));
}

TEST_CASE("a dish's gain") {
    // Read: G = efficiency (pi D / lambda)^2 with 55 %.
    CHECK(std::abs(dish_gain_dbi({1.2, 0.55}, 12e9) - 40.97) < 0.01);
    CHECK(std::abs(dish_gain_dbi({1.829, 0.55}, 1575.42e6) - 27.00) < 0.01);
    CHECK(dish_efficiency(dish_gain_dbi({2.0, 0.62}, 5.7e9), 2.0, 5.7e9) == doctest::Approx(0.62));
}

TEST_CASE("a dish's fields") {
    // Second-hand: an FCC exhibit with OET 65's formulae, recomputed: 14.2 GHz, 2.4 m, 49.2 dBi, 2.17 W.
    const double efficiency = dish_efficiency(49.2, 2.4, 14.2e9);
    CHECK(std::abs(efficiency - 0.653) < 0.001);
    const auto fields = aperture_fields(2.17, {2.4, efficiency}, 14.2e9);
    CHECK(std::abs(fields.surface_w_per_m2 - 1.92) < 0.005);
    CHECK(std::abs(fields.near_w_per_m2 - 1.25) < 0.005);
    // Computed: D^2/4 lambda and 0.6 D^2/lambda with lambda = 21.11 mm.
    CHECK(fields.near_end_m == doctest::Approx(68.2).epsilon(0.001));
    CHECK(fields.far_begin_m == doctest::Approx(163.7).epsilon(0.001));
    const Dish dish{2.4, efficiency};
    const auto at = [&](double r) { return aperture_w_per_m2(2.17, dish, 14.2e9, r, ground_none); };
    CHECK(at(0.0) == doctest::Approx(fields.near_w_per_m2));
    CHECK(at(68.0) == doctest::Approx(fields.near_w_per_m2));
    CHECK(at(2 * fields.near_end_m) == doctest::Approx(fields.near_w_per_m2 / 2));
    CHECK(at(500.0) == doctest::Approx(far_field_w_per_m2(2.17, 49.2, 500.0, ground_none)).epsilon(0.001));
    // The two formulae meet within 3 % where one takes over from the other.
    CHECK(at(fields.far_begin_m * 0.9999) == doctest::Approx(at(fields.far_begin_m)).epsilon(0.03));
}

TEST_CASE("limits by frequency") {
    using enum ExposureRule;
    using enum ExposureGroup;
    // 47 CFR 1.1310 as two reproductions have it: 300 to 1500 MHz, f/300 and f/1500 in mW/cm2: 4.21 and 0.841 at 1262
    // MHz (x 10 in W/m2).
    CHECK(std::abs(limit(fcc, occupational, 1262) - 42.1) < 0.05);
    CHECK(std::abs(limit(fcc, general_public, 1262) - 8.41) < 0.005);
    // 1.5 to 100 GHz, 5 mW/cm2 over 6 minutes, 1 mW/cm2 over 30 minutes.
    CHECK(limit(fcc, occupational, 5760) == doctest::Approx(50));
    CHECK(limit(fcc, general_public, 10368) == doctest::Approx(10));
    CHECK(exposure_limit(fcc, occupational, 5.76e9)->averaging_s == 360);
    CHECK(exposure_limit(fcc, general_public, 5.76e9)->averaging_s == 1800);
    // 30 to 300 MHz: 1 and 0.2 mW/cm2.
    CHECK(limit(fcc, occupational, 145) == 10);
    CHECK(limit(fcc, general_public, 145) == 2);
    // ICNIRP 2020, table 5 as two reproductions have it: 400 to 2000 MHz, f/40 and f/200 W/m2: 31.6 and 6.31 at 1262
    // MHz.
    CHECK(std::abs(limit(icnirp_2020, occupational, 1262) - 31.6) < 0.06);
    CHECK(std::abs(limit(icnirp_2020, general_public, 1262) - 6.31) < 0.005);
    // 30 to 400 MHz: 10 and 2 W/m2; 2 to 300 GHz: 50 and 10 W/m2; all over 30 minutes.
    CHECK(limit(icnirp_2020, occupational, 145) == 10);
    CHECK(limit(icnirp_2020, general_public, 145) == 2);
    CHECK(limit(icnirp_2020, occupational, 5760) == 50);
    CHECK(limit(icnirp_2020, general_public, 5760) == 10);
    CHECK(exposure_limit(icnirp_2020, general_public, 5.76e9)->averaging_s == 1800);
    // Every preset says which edition it is.
    for (const auto rule : {fcc, icnirp_2020}) {
        for (const double mhz : {50.0, 145.0, 432.0, 1262.0, 5760.0, 24048.0}) {
            REQUIRE(exposure_limit(rule, general_public, mhz * 1e6));
            CHECK_FALSE(exposure_limit(rule, general_public, mhz * 1e6)->edition.empty());
            CHECK(limit(rule, general_public, mhz) < limit(rule, occupational, mhz));
        }
        // The pieces join without a step (both tables are continuous above 30 MHz).
        for (const double mhz : {300.0, 400.0, 1500.0, 2000.0}) {
            CHECK(limit(rule, general_public, mhz * (1 - 1e-9)) == doctest::Approx(limit(rule, general_public, mhz)));
        }
    }
    // Below 30 MHz fields count, not power density; above the tables there is nothing.
    CHECK_FALSE(exposure_limit(fcc, general_public, 14e6));
    CHECK_FALSE(exposure_limit(icnirp_2020, general_public, 7e6));
    CHECK_FALSE(exposure_limit(fcc, general_public, 120e9));
    CHECK_FALSE(exposure_limit(fcc, general_public, not_a_number));
}

TEST_CASE("the distance to keep") {
    auto in = hilltop();
    const auto plain = assess_exposure(in);
    // Computed by hand: 120 W less 0.8 dB is 99.8 W; 12 dBi: EIRP 1582 W; sqrt(1582 / (4 pi 6.31)) = 4.466 m.
    CHECK(plain.antenna_power_w == doctest::Approx(99.81).epsilon(1e-3));
    CHECK(plain.eirp_w == doctest::Approx(1581.9).epsilon(1e-3));
    CHECK(plain.distance_m == doctest::Approx(4.466).epsilon(1e-3));
    CHECK(plain.zone == ExposureZone::far_field);
    SUBCASE("the reading's uncertainty makes it farther") {
        in.uncertainty_db = 1.0;
        CHECK(assess_exposure(in).distance_m == doctest::Approx(plain.distance_m * std::pow(10, 0.05)));
    }
    SUBCASE("the duty factor makes it nearer, the EIRP stays") {
        in.duty = 0.25;
        CHECK(assess_exposure(in).distance_m == doctest::Approx(plain.distance_m / 2));
        CHECK(assess_exposure(in).eirp_w == doctest::Approx(plain.eirp_w));
    }
    SUBCASE("a reflecting ground doubles the field, and the distance") {
        in.ground_factor = ground_perfect;
        CHECK(assess_exposure(in).distance_m == doctest::Approx(plain.distance_m * 2));
    }
    SUBCASE("negative uncertainty, loss or a ground that absorbs don't count") {
        in.uncertainty_db = -3;
        in.ground_factor = 0.1;
        CHECK(assess_exposure(in).distance_m == doctest::Approx(plain.distance_m));
    }
    SUBCASE("what can't be told is far away") {
        for (const double bad : {0.0, -1.0, not_a_number, infinity}) {
            auto worse = in;
            worse.limit_w_per_m2 = bad;
            CHECK(assess_exposure(worse).distance_m == unbounded);
        }
        in.power_w = not_a_number;
        CHECK(assess_exposure(in).distance_m == unbounded);
    }
}

TEST_CASE("the distance to keep from a dish") {
    ExposureInput in;
    in.frequency_hz = 10.368e9;
    in.dish = Dish{1.8, 0.55};
    in.ground_factor = ground_none;
    in.limit_w_per_m2 = 10;
    SUBCASE("far field") {
        in.power_w = 200;
        const auto e = assess_exposure(in);
        CHECK(e.zone == ExposureZone::far_field);
        CHECK(e.distance_m == doctest::Approx(far_field_distance_m(200, e.gain_dbi, 10, 1)));
    }
    SUBCASE("transition") {
        in.power_w = 20;
        const auto e = assess_exposure(in);
        CHECK(e.zone == ExposureZone::transition);
        CHECK(aperture_w_per_m2(20, *in.dish, in.frequency_hz, e.distance_m, 1) == doctest::Approx(10));
    }
    SUBCASE("not reached in front of it, but at its own surface") {
        in.power_w = 10;
        const auto e = assess_exposure(in);
        CHECK(e.zone == ExposureZone::none);
        CHECK(e.distance_m == 0.0);
        CHECK(e.surface_exceeds);
        in.power_w = 1;
        CHECK_FALSE(assess_exposure(in).surface_exceeds);
    }
    SUBCASE("a dish that is none") {
        in.power_w = 1;
        in.dish = Dish{0.0, 0.55};
        CHECK(assess_exposure(in).distance_m == unbounded);
    }
}

TEST_CASE("beyond the distance to keep, the density is at or under the limit") {
    std::mt19937_64 random{3};
    std::uniform_real_distribution<double> unit{0.0, 1.0};
    for (int i = 0; i < 3000; ++i) {
        ExposureInput in;
        in.power_w = std::pow(10.0, 3 * unit(random));
        in.frequency_hz = std::pow(10.0, 8.5 + 2 * unit(random));
        in.dish = Dish{0.3 + 4 * unit(random), 0.3 + 0.4 * unit(random)};
        in.ground_factor = 1 + 3 * unit(random);
        in.limit_w_per_m2 = 1 + 50 * unit(random);
        const auto e = assess_exposure(in);
        for (const double beyond : {1.0001, 1.5, 4.0}) {
            const double density = aperture_w_per_m2(e.antenna_power_w, *in.dish, in.frequency_hz,
                                                     e.distance_m * beyond + 1e-6, in.ground_factor);
            REQUIRE(density <= in.limit_w_per_m2 * 1.03);  // the model's own step where its formulae meet
        }
    }
}

TEST_CASE("awkward numbers give finite answers") {
    const double awkward[] = {0.0, 1.0, -1.0, 1e300, -1e300, 5e-324, 1e9, not_a_number, infinity, -infinity};
    for (const double a : awkward) {
        for (const double b : awkward) {
            for (const double c : awkward) {
                const auto fields = aperture_fields(a, {b, c}, a);
                for (const double x :
                     {far_field_w_per_m2(a, b, c, a), far_field_distance_m(a, b, c, b), eirp_w(a, b),
                      dish_gain_dbi({a, b}, c), dish_efficiency(a, b, c), fields.surface_w_per_m2, fields.near_w_per_m2,
                      fields.near_end_m, fields.far_begin_m, aperture_w_per_m2(a, {b, c}, 1e9, a, c)}) {
                    REQUIRE(std::isfinite(x));
                }
                for (const bool with_dish : {false, true}) {
                    ExposureInput in{a, b, c, a, b, c, std::nullopt, b, a};
                    if (with_dish) in.dish = Dish{b, a};
                    const auto e = assess_exposure(in);
                    REQUIRE(std::isfinite(e.distance_m));
                    REQUIRE(std::isfinite(e.eirp_w));
                    REQUIRE(std::isfinite(e.antenna_power_w));
                    REQUIRE(std::isfinite(e.gain_dbi));
                }
            }
        }
    }
}
