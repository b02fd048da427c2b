#include "maths/level_budget.hpp"

#include <doctest/doctest.h>

#include <cmath>
#include <limits>
#include <random>
#include <vector>

using namespace dekeyd::core;

namespace {

constexpr double not_a_number = std::numeric_limits<double>::quiet_NaN();
constexpr double infinity = std::numeric_limits<double>::infinity();

// An invented station: exciter, cable, driver, pad, amplifier, feeder. 47.5 dBm (56 W) is wanted from the amplifier.
std::vector<Stage> station() {
    return {{"cable", -1.0, {}, {}, 2.0},
            {"driver", 20.0, 10.0, 34.0, 2.0},
            {"pad", -3.0, {}, {}, 2.0},
            {"amplifier", 18.0, 34.0, 51.0, 2.0},
            {"feeder", -0.8, {}, {}, 2.0}};
}

LevelQuestion question(double lowest, double highest, double wanted) {
    return {lowest, highest, wanted, 3};
}

}  // namespace

TEST_CASE("a stage compresses by 1 dB at its 1 dB point and never passes saturation") {
    for (const double p : {1.0, 2.0, 4.0}) {
        const Stage stage{"amplifier", 18.0, {}, 50.0, p};
        CHECK(stage_output_dbm(stage, 33.0) == doctest::Approx(50.0));  // 33 + 18 - 1
        CHECK(stage_output_dbm(stage, 0.0) == doctest::Approx(18.0).epsilon(0.001));
        CHECK(stage_output_dbm(stage, 90.0) == doctest::Approx(stage_output_dbm(stage, 100.0)));
        for (double in = 0; in < 40; in += 0.5) {
            REQUIRE(stage_output_dbm(stage, in + 0.5) > stage_output_dbm(stage, in));
            const auto back = stage_input_dbm(stage, stage_output_dbm(stage, in));
            REQUIRE(back);
            REQUIRE(*back == doctest::Approx(in).epsilon(1e-6));
        }
        CHECK_FALSE(stage_input_dbm(stage, 60.0));
    }
    const Stage cable{"cable", -2.0, {}, {}, 2.0};
    CHECK(stage_output_dbm(cable, 10.0) == 8.0);
    CHECK(*stage_input_dbm(cable, 8.0) == 10.0);
}

TEST_CASE("the drive that the wanted power needs") {
    const auto stages = station();
    const auto budget = level_budget(stages, question(-20, 15, 47.5));
    REQUIRE(budget.result == ReachResult::reachable);
    // Linear sum: 47.5 - 18 + 3 - 20 + 1 = 13.5 dBm; the compression of both stages comes on top.
    CHECK(budget.needed_dbm > 13.5);
    CHECK(budget.needed_dbm < 15.0);
    CHECK(budget.stages == 5);
    CHECK(budget.levels[3].output_dbm == doctest::Approx(47.5));
    CHECK(budget.levels[4].output_dbm == doctest::Approx(46.7));
    CHECK(budget.levels[0].input_dbm == budget.needed_dbm);
    REQUIRE(budget.levels[3].head_room_db);
    CHECK(*budget.levels[3].head_room_db == doctest::Approx(3.5));
    CHECK(budget.levels[3].compression_db ==
          doctest::Approx(compression_at_output_db(47.5 - (51.0 - output_at_compression_db(1.0)))));
    CHECK_FALSE(budget.levels[0].head_room_db);
}

TEST_CASE("an exciter that is too weak, too strong, or can't help it") {
    const auto stages = station();
    const auto weak = level_budget(stages, question(-20, 10, 47.5));
    CHECK(weak.result == ReachResult::too_weak);
    CHECK(weak.short_by_db == doctest::Approx(weak.needed_dbm - 10));
    const auto strong = level_budget(stages, question(20, 30, 47.5));
    CHECK(strong.result == ReachResult::too_strong);
    CHECK(strong.short_by_db == doctest::Approx(20 - strong.needed_dbm));
    CHECK(level_budget(stages, question(-20, 10, 60)).result == ReachResult::saturated);
}

TEST_CASE("could it exceed a maximum drive, and which pad prevents that") {
    const auto stages = station();
    SUBCASE("not from this exciter") {
        const auto budget = level_budget(stages, question(-20, 11, 40));
        CHECK_FALSE(budget.may_exceed);
        CHECK(budget.pad_db == 0.0);
        CHECK(budget.reachable_with_pad);
    }
    SUBCASE("a stronger one overdrives the driver") {
        const auto budget = level_budget(stages, question(-20, 15.5, 40));
        CHECK(budget.may_exceed);
        CHECK(budget.levels[1].may_exceed);
        CHECK(budget.levels[1].highest_input_dbm == doctest::Approx(14.5));
        CHECK(budget.pad_db == 5.0);  // 4.5 dB, in whole ones
        CHECK(budget.reachable_with_pad);
        auto padded = stages;
        padded.insert(padded.begin(), Stage{"pad", -budget.pad_db, {}, {}, 2.0});
        auto q = question(-20, 15.5, 40);
        q.wanted_after = 4;
        CHECK_FALSE(level_budget(padded, q).may_exceed);
        padded.front().gain_db += 1.0;
        CHECK(level_budget(padded, q).may_exceed);
    }
    SUBCASE("the pad may put the wanted power out of reach, which is said") {
        const auto budget = level_budget(stages, question(-20, 14.5, 47.5));
        CHECK(budget.result == ReachResult::reachable);
        CHECK(budget.may_exceed);
        CHECK_FALSE(budget.reachable_with_pad);
    }
    SUBCASE("a saturating driver protects what follows") {
        auto limited = stages;
        limited[1].maximum_input_dbm.reset();
        limited[3].maximum_input_dbm = 33.5;  // the driver saturates at 36.2 dBm, the pad leaves 33.2
        CHECK_FALSE(level_budget(limited, question(-20, 40, 40)).may_exceed);
        limited[3].maximum_input_dbm = 33.0;
        CHECK(level_budget(limited, question(-20, 40, 40)).may_exceed);
    }
}

TEST_CASE("what comes out of a stage at most is judged too") {
    auto stages = station();
    stages[3].maximum_output_dbm = 48.5;
    const auto budget = level_budget(stages, question(-20, 16.5, 47.5));
    const double driver = stage_output_dbm(stages[1], 15.5);
    const double amplifier = stage_output_dbm(stages[3], driver - 3.0);
    CHECK(budget.levels[3].highest_output_dbm == doctest::Approx(amplifier));
    REQUIRE(amplifier > 48.5);
    CHECK(budget.levels[3].may_pass_output);
    CHECK(budget.may_exceed);
    stages[1].maximum_input_dbm.reset();
    stages[3].maximum_input_dbm.reset();
    const auto alone = level_budget(stages, question(-20, 16.5, 47.5));
    CHECK(alone.may_exceed);
    REQUIRE(alone.pad_db > 0.0);
    // With that pad it is at or below its rating, with a decibel less above it.
    const auto padded = [&](double db) { return level_budget(stages, question(-20, 16.5 - db, 47.5)).may_exceed; };
    CHECK_FALSE(padded(alone.pad_db));
    CHECK(padded(alone.pad_db - 1.0));
    stages[3].maximum_output_dbm = amplifier;  // what it gives at the very most is no more than that
    CHECK_FALSE(level_budget(stages, question(-20, 16.5, 47.5)).may_exceed);
}

TEST_CASE("questions that make no sense are refused") {
    const auto stages = station();
    CHECK(level_budget({}, question(0, 10, 40)).result == ReachResult::refused);
    CHECK(level_budget(stages, question(10, 0, 40)).result == ReachResult::refused);
    CHECK(level_budget(stages, question(0, not_a_number, 40)).result == ReachResult::refused);
    CHECK(level_budget(stages, LevelQuestion{0, 10, 40, 5}).result == ReachResult::refused);
    CHECK(level_budget(std::vector<Stage>(most_stages + 1), LevelQuestion{0, 10, 40, 0}).result ==
          ReachResult::refused);
    auto broken = stages;
    broken[2].gain_db = infinity;
    CHECK(level_budget(broken, question(0, 10, 40)).result == ReachResult::refused);
    CHECK(text(ReachResult::refused) == "refused");
}

TEST_CASE("a pad behind the exciter always prevents what it is meant to") {
    std::mt19937_64 random{8};
    std::uniform_real_distribution<double> unit{0.0, 1.0};
    int needed = 0;
    for (int i = 0; i < 3000; ++i) {
        auto stages = station();
        stages[1].gain_db = 10 + 20 * unit(random);
        stages[1].maximum_input_dbm = 20 * unit(random);
        stages[3].gain_db = 10 + 15 * unit(random);
        stages[3].maximum_input_dbm = 25 + 10 * unit(random);
        const double highest = 35 * unit(random);
        const auto budget = level_budget(stages, question(-30, highest, 40));
        const auto padded = level_budget(stages, question(-30 - budget.pad_db, highest - budget.pad_db, 40));
        REQUIRE_FALSE(padded.may_exceed);
        if (budget.pad_db == 0.0) continue;
        ++needed;
        REQUIRE(level_budget(stages, question(-200, highest - budget.pad_db + 1, 40)).may_exceed);
    }
    CHECK(needed > 500);
}

TEST_CASE("what the detector shows for a power is what the chain reads back") {
    PowerChain chain;
    chain.detector = LogDetector{-0.0244, 19.6};
    chain.coupling_db = 40;
    chain.pads_db = 10;
    chain.cable_db = 0.5;
    chain.floor_dbm = -50;
    chain.ceiling_dbm = 5;
    const auto level = detector_level(chain, dbm_from_watts(120));
    CHECK(level.dbm == doctest::Approx(0.292).epsilon(0.001));
    CHECK(line_power(chain, level.volts, {}).watts == doctest::Approx(120));
    CHECK(detector_level(chain, 60).range == DetectorRange::above_ceiling);
    CHECK(detector_level(chain, 0).range == DetectorRange::at_floor);
    CHECK(detector_level(chain, 30).range == DetectorRange::inside);
}

TEST_CASE("awkward numbers give finite answers") {
    const double awkward[] = {0.0, 1.0, -1.0, 1e300, -1e300, 5e-324, 200.0, not_a_number, infinity, -infinity};
    for (const double a : awkward) {
        for (const double b : awkward) {
            for (const double c : awkward) {
                const Stage stage{"stage", a, b, c, b};
                REQUIRE(std::isfinite(stage_output_dbm(stage, c)));
                if (const auto input = stage_input_dbm(stage, c)) REQUIRE(std::isfinite(*input));
                const Stage stages[] = {stage, {"next", b, c, a, c}};
                const auto budget = level_budget(stages, {a, b, c, 1});
                REQUIRE(std::isfinite(budget.needed_dbm));
                REQUIRE(std::isfinite(budget.short_by_db));
                REQUIRE(std::isfinite(budget.highest_dbm));
                REQUIRE(std::isfinite(budget.pad_db));
                for (const auto& at : budget.levels) {
                    REQUIRE(std::isfinite(at.input_dbm + at.output_dbm + at.compression_db + at.highest_input_dbm));
                    if (at.head_room_db) REQUIRE(std::isfinite(*at.head_room_db));
                }
                PowerChain chain;
                chain.detector = LogDetector{a, b};
                chain.coupling_db = c;
                REQUIRE(std::isfinite(detector_level(chain, a).volts));
                REQUIRE(std::isfinite(detector_level(chain, a).dbm));
            }
        }
    }
}
