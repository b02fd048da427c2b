#include "maths/correction.hpp"

#include <doctest/doctest.h>

#include <cmath>
#include <limits>
#include <random>
#include <vector>

#include "maths/rf.hpp"
#include "maths/uncertainty.hpp"
#include "measure/channel_reader.hpp"

using namespace dekeyd::core;

namespace {

// V = -25 mV/dB * (P - 20 dBm): what shows `dbm` by it.
double volts(double dbm) {
    return -0.025 * (dbm - 20.0);
}
const Detector law = LogDetector{-0.025, 20.0};

/// Levels that the law shows, and by how much it is short there.
Correction corrected(const std::vector<std::pair<double, double>>& shown_and_add, double conformance_db = 1.0) {
    std::vector<ComparedLevel> levels;
    for (const auto& [shown, add] : shown_and_add) levels.push_back({.volts = volts(shown), .dbm = shown + add});
    auto correction = correction_from(law, levels, conformance_db);
    REQUIRE(correction);
    return *correction;
}

PowerChain chain_with(const Correction& correction) {
    PowerChain chain;
    chain.detector = law;
    chain.correction = correction;
    chain.coupling_db = 40.0;
    chain.pads_db = 10.0;
    chain.coupling_tolerance_db = chain.mismatch_db = chain.temperature_db = chain.converter_db = 0.0;
    chain.floor_dbm = -50.0;
    chain.ceiling_dbm = 10.0;
    return chain;
}

}  // namespace

TEST_CASE("at its levels a corrected law is the reference; between them it is linear in dB") {
    const Correction c = corrected({{-30.0, 0.5}, {-10.0, 0.9}});
    CHECK(correction_db(c, -30.0) == doctest::Approx(0.5));
    CHECK(correction_db(c, -10.0) == doctest::Approx(0.9));
    CHECK(correction_db(c, -25.0) == doctest::Approx(0.6));
    CHECK(correction_doubt_db(c, -30.0) == doctest::Approx(0.05));
}

TEST_CASE("beyond its levels the stated slope goes on, drawn toward the measured one as far as that can be told") {
    const Correction c = corrected({{-30.0, 0.5}, {-10.0, 0.9}});
    // Measured 0.02 dB/dB with a doubt of 3 x 1 dB / 20 dB = 0.15 against 0.08: weights 44.44 and 156.25 (by hand).
    CHECK(c.slope_db_per_db == doctest::Approx(0.02 * 44.44 / 200.69).epsilon(1e-3));
    CHECK(c.slope_doubt_db_per_db == doctest::Approx(1.0 / std::sqrt(200.69)).epsilon(1e-3));
    CHECK(correction_db(c, 0.0) == doctest::Approx(0.9 + 10.0 * c.slope_db_per_db));
    CHECK(correction_db(c, -40.0) == doctest::Approx(0.5 - 10.0 * c.slope_db_per_db));
    // One level alone: an offset, and the stated slope.
    const Correction one = corrected({{-20.0, 1.5}});
    CHECK(correction_db(one, 0.0) == doctest::Approx(1.5));
    CHECK(one.slope_doubt_db_per_db == doctest::Approx(0.08));
    // A law known to be straight: the measured slope alone.
    CHECK(corrected({{-30.0, 0.5}, {-10.0, 0.9}}, 0.0).slope_db_per_db == doctest::Approx(0.02).epsilon(1e-3));
}

TEST_CASE("the doubt grows with the distance from the levels, without end beyond them") {
    const Correction c = corrected({{-30.0, 0.0}, {-10.0, 0.0}});
    double before = 0.0;
    for (double db = 0.0; db <= 60.0; db += 0.5) {
        const double doubt = correction_doubt_db(c, -10.0 + db);
        CHECK(doubt > before);
        CHECK(doubt == doctest::Approx(correction_doubt_db(c, -30.0 - db)));
        before = doubt;
    }
    // By hand, 10 dB beyond: 2 x 10/hypot(10, 1.2) = 1.986, 10 x 0.0706 = 0.706, 0.05: together 2.108.
    CHECK(correction_doubt_db(c, 0.0) == doctest::Approx(2.108).epsilon(1e-3));
    // In the middle: 1.8 x 10/hypot(10, 1.2) = 1.787.
    CHECK(correction_doubt_db(c, -20.0) == doctest::Approx(1.788).epsilon(1e-3));
    CHECK(correction_doubt_db(c, -12.0) == doctest::Approx(correction_doubt_db(c, -28.0)));
}

TEST_CASE("levels close together that lie on a line show a straight law between them, and say nothing of beyond") {
    std::vector<std::pair<double, double>> levels;
    for (int i = 0; i < 6; ++i) levels.emplace_back(-30.0 + 5.0 * i, 0.4);
    const Correction dense = corrected(levels);
    CHECK(dense.between_db == doctest::Approx(1.8 * 0.15));
    CHECK(dense.beyond_db == doctest::Approx(2.0));
    // Levels that scatter by half a decibel don't exclude more than is stated, which then holds.
    for (int i = 0; i < 6; ++i) levels[static_cast<std::size_t>(i)].second = i % 2 == 0 ? 0.9 : -0.1;
    CHECK(corrected(levels).between_db == doctest::Approx(1.8));
    // A gap of more than 5 dB may hide a wave.
    levels.clear();
    for (int i = 0; i < 6; ++i) levels.emplace_back(-30.0 + 5.1 * i, 0.4);
    CHECK(corrected(levels).between_db == doctest::Approx(1.8));
}

TEST_CASE("levels that can't be are no correction") {
    constexpr double nan = std::numeric_limits<double>::quiet_NaN();
    using Levels = std::vector<ComparedLevel>;
    CHECK_FALSE(correction_from(law, Levels{}, 1.0));
    CHECK_FALSE(correction_from(law, Levels{{volts(-10.0), nan}}, 1.0));
    CHECK_FALSE(correction_from(law, Levels{{nan, -10.0}}, 1.0));
    CHECK_FALSE(correction_from(law, Levels{{volts(-10.0), -10.0}}, nan));
    CHECK_FALSE(correction_from(law, Levels{{volts(-10.0), -10.0}, {volts(-20.0), -9.0}}, 1.0));
    CHECK_FALSE(correction_from(law, Levels{{volts(-10.0), -10.0}, {volts(-10.0), -9.0}}, 1.0));
    CHECK_FALSE(correction_from(LogDetector{0.0, 0.0}, Levels{{1.0, -10.0}}, 1.0));
}

TEST_CASE("volts to dBm and back, whatever the levels and the law") {
    std::mt19937 random{7};
    const auto between = [&](double low, double high) {
        return std::uniform_real_distribution<double>{low, high}(random);
    };
    for (int i = 0; i < 2000; ++i) {
        PowerChain chain;
        chain.detector = i % 2 == 0 ? Detector{LogDetector{0.03, -60.0}} : Detector{SquareLawDetector{400.0}};
        std::vector<ComparedLevel> levels;
        double dbm = between(-45.0, -20.0);
        for (int n = 0; n < 1 + i % 5; ++n, dbm += between(3.0, 9.0))
            levels.push_back({.volts = detector_volts(chain.detector, dbm + between(-1.0, 1.0)), .dbm = dbm});
        chain.correction = correction_from(chain.detector, levels, 1.0);
        REQUIRE(chain.correction);
        const double asked = between(-50.0, 20.0);
        CHECK(chain_dbm(chain, chain_volts(chain, asked)) == doctest::Approx(asked).epsilon(1e-9));
        CHECK(correction_doubt_db(*chain.correction, asked) >= 0.05);
    }
}

TEST_CASE("a diode between two levels follows its own law, not a straight line through its volts") {
    PowerChain chain = chain_with(corrected({{-30.0, 0.0}}));
    chain.detector = SquareLawDetector{500.0};
    const std::vector<ComparedLevel> levels{{.volts = 500.0 * 1e-6, .dbm = -30.0},
                                            {.volts = 500.0 * 1e-4, .dbm = -10.0}};
    chain.correction = correction_from(chain.detector, levels, 0.5);
    REQUIRE(chain.correction);
    CHECK(chain_dbm(chain, 500.0 * 1e-5) == doctest::Approx(-20.0));  // V = k P: a tenth of the volts is 10 dB less
}

TEST_CASE("a reading's interval is narrow at a level, and wide where nothing was compared") {
    Channel channel;
    channel.kind = ChannelKind::power;
    channel.power = chain_with(corrected({{-30.0, 0.0}, {-10.0, 0.0}}));
    channel.valid_low = channel.valid_high = 0.0;
    const ChannelReader reader{channel};
    const auto upper_db = [&](double dbm) {
        const Reading r = reader.convert({.value = volts(dbm), .fault = Fault::none}, std::nullopt);
        CHECK(r.health == Health::good);
        CHECK(r.value / r.low == doctest::Approx(r.high / r.value));
        CHECK(reader.uncertainty_db(r) == doctest::Approx(10.0 * std::log10(r.high / r.value)));
        return 10.0 * std::log10(r.high / r.value);
    };
    CHECK(upper_db(-10.0) == doctest::Approx(0.05));
    CHECK(upper_db(0.0) == doctest::Approx(2.108 + 0.005 * 2.0).epsilon(0.01));
    const Reading over = reader.convert({.value = volts(11.0), .fault = Fault::none}, std::nullopt);
    CHECK(over.health == Health::above_range);
    // At least the ceiling less its doubt there: 20 dB beyond the last level.
    CHECK(10.0 * std::log10(over.value / over.low) ==
          doctest::Approx(correction_doubt_db(*channel.power->correction, 10.0)).epsilon(0.01));
    CHECK(reader.uncertainty_db(over) == doctest::Approx(10.0 * std::log10(over.value / over.low)));
}
