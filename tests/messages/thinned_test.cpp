// Against a small model: all samples are kept, and each bin is worked out from them at the end.
#include "messages/thinned.hpp"

#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <map>
#include <nlohmann/json.hpp>
#include <numeric>
#include <random>

using namespace dekeyd::formats;

namespace {

constexpr double none = PieceGatherer::unknown;
constexpr std::int64_t noon = 1'796'040'000;  // of some day
constexpr HistoryLevel small{"small", 10, 6, 4, 20};

struct Read {
    std::int64_t from = 0, step = 0;
    std::map<std::string, std::vector<std::array<double, 3>>> series;  ///< low, mean, high; NaN: not known
};

/// As the header describes it.
Read read(const std::string& text) {
    const auto json = nlohmann::json::parse(text);
    Read made{.from = json["from"], .step = json["step"], .series = {}};
    const std::size_t n = json["n"];
    for (const auto& [id, one] : json["series"].items()) {
        const double unit = std::pow(10.0, one["d"].get<int>());
        double mean = 0.0;
        for (std::size_t i = 0; i < n; ++i) {
            const auto at = [i, &of = one](const char* key) {
                return of.contains(key) && i < of[key].size() ? of[key][i] : nlohmann::json(0);
            };
            if (at("m").is_null()) {
                made.series[id].push_back({none, none, none});
                continue;
            }
            mean += at("m").get<double>();
            made.series[id].push_back(
                {(mean - at("l").get<double>()) / unit, mean / unit, (mean + at("h").get<double>()) / unit});
        }
    }
    return made;
}

}  // namespace

TEST_CASE("bins of whole seconds: smallest, mean and largest of each; unknown is unknown") {
    static_assert(noon % (10 * 6 * 4) == 0);
    PieceGatherer gatherer{small, {"heat", "power"}};
    CHECK_FALSE(gatherer.due());
    CHECK_FALSE(gatherer.place());
    for (const auto& [at, heat] :
         std::vector<std::pair<int, double>>{{0, 20.0}, {4, 26.0}, {9, 23.0}, {10, none}, {20, 30.5}}) {
        const std::array values{heat, none};
        gatherer.add(noon + at, values);
    }
    const auto piece = gatherer.due();
    REQUIRE(piece);
    CHECK(piece->place == 0);
    const Read got = read(piece->text);
    CHECK(got.from == noon);
    CHECK(got.step == 10);
    CHECK(got.series.count("power") == 0);
    const auto& heat = got.series.at("heat");
    REQUIRE(heat.size() == 3);
    CHECK(heat[0] == std::array{20.0, 23.0, 26.0});
    CHECK(std::isnan(heat[1][1]));
    CHECK(heat[2] == std::array{30.5, 30.5, 30.5});
    CHECK_FALSE(gatherer.due());
}

TEST_CASE("a piece that has ended is sent whole, and the next takes another place; after the last the first is taken") {
    PieceGatherer gatherer{small, {"heat"}};
    std::vector<std::int64_t> places;
    for (int at = 0; at < 6 * 60 + 10; at += 10) {
        const std::array values{1.0 * at};
        gatherer.add(noon + at, values);
        for (auto piece = gatherer.due(); piece; piece = gatherer.due()) {
            if (nlohmann::json::parse(piece->text)["n"] == 6) places.push_back(piece->place);
        }
    }
    CHECK(places == std::vector<std::int64_t>{0, 1, 2, 3, 0, 1});
    CHECK(gatherer.place() == 2);
}

TEST_CASE("what was not seen between two samples is unknown, not the last value") {
    PieceGatherer gatherer{small, {"heat"}};
    const std::array values{50.0};
    gatherer.add(noon, values);
    gatherer.add(noon + 50, values);
    const auto heat = read(gatherer.due()->text).series.at("heat");
    REQUIRE(heat.size() == 6);
    CHECK(heat[0][1] == 50.0);
    for (std::size_t i = 1; i < 5; ++i) CHECK(std::isnan(heat[i][1]));
    CHECK(heat[5][1] == 50.0);
}

TEST_CASE("a clock that is set back begins anew; one that jumps far begins another piece") {
    PieceGatherer gatherer{small, {"heat"}};
    const std::array hot{80.0}, cold{10.0};
    gatherer.add(noon + 40, hot);
    gatherer.add(noon + 10, cold);
    gatherer.add(noon + 20, cold);
    auto piece = gatherer.due();
    if (piece) {
        const auto heat = read(piece->text).series.at("heat");
        CHECK(std::all_of(heat.begin(), heat.end(), [](const auto& bin) { return !(bin[2] > 10.0); }));
    }
    gatherer.add(noon - 3600, cold);  // an earlier piece: what was gathered is not sent as if it had ended
    CHECK_FALSE(gatherer.due());
    gatherer.add(-1.0, hot);
    gatherer.add(none, hot);
    CHECK_FALSE(gatherer.due());
}

TEST_CASE("a clock that is set back a little, over a bin's end or a piece's, takes nothing else away") {
    PieceGatherer gatherer{small, {"heat"}};
    const auto look = [&](double at, double value) {
        const std::array values{value};
        gatherer.add(at, values);
    };
    for (int at = 0; at <= 60; at += 10) look(noon + at, 20.0 + at);
    const auto ended = gatherer.due();
    REQUIRE(ended);
    CHECK(ended->place == 0);
    look(noon + 59.5, 70.0);
    look(noon + 60.5, 81.0);
    const auto again = gatherer.due();
    REQUIRE(again);
    CHECK(again->place == 0);
    auto heat = read(again->text).series.at("heat");
    REQUIRE(heat.size() == 6);
    for (std::size_t i = 0; i < 6; ++i) CHECK(heat[i][1] == 20.0 + 10.0 * static_cast<double>(i));
    look(noon + 70, 82.0);
    look(noon + 69.9, 79.0);
    look(noon + 80, 83.0);
    heat = read(gatherer.due()->text).series.at("heat");
    REQUIRE(heat.size() == 3);
    CHECK(heat[0] == std::array{79.0, 80.0, 81.0});
    CHECK(heat[1][1] != 82.0);  // of a time that came again
    CHECK(heat[2][1] == 83.0);
}

TEST_CASE("against the model: any samples, at the resolution that the piece says") {
    std::minstd_rand random{7};
    for (int round = 0; round < 200; ++round) {
        PieceGatherer gatherer{small, {"x", "y"}};
        std::map<std::int64_t, std::map<std::int64_t, std::vector<double>>> model;  // piece, bin
        std::map<std::int64_t, std::string> pieces;
        const double scale = std::pow(10.0, std::uniform_real_distribution<double>{-3.0, 5.0}(random));
        double at = noon;
        for (int i = 0; i < 120; ++i) {
            at += std::uniform_real_distribution<double>{0.0, 6.0}(random);
            const bool known = std::bernoulli_distribution{0.8}(random);
            const double value = std::uniform_real_distribution<double>{-scale, scale}(random);
            const std::array values{known ? value : none, none};
            gatherer.add(at, values);
            const auto number = static_cast<std::int64_t>(std::floor(at / 10));
            if (known) model[number / 6][number % 6].push_back(value);
            for (auto piece = gatherer.due(); piece; piece = gatherer.due()) {
                const auto json = nlohmann::json::parse(piece->text);
                if (json["n"] == 6) pieces[json["from"].get<std::int64_t>() / 60] = piece->text;
            }
        }
        for (const auto& [number, text] : pieces) {
            const Read got = read(text);
            const double unit = got.series.count("x") == 0
                                    ? 1.0
                                    : std::pow(10.0, nlohmann::json::parse(text)["series"]["x"]["d"].get<int>());
            for (std::int64_t bin = 0; bin < 6; ++bin) {
                const auto known = model[number].find(bin);
                if (got.series.count("x") == 0) {
                    CHECK(known == model[number].end());
                    continue;
                }
                const auto& one = got.series.at("x").at(static_cast<std::size_t>(bin));
                REQUIRE(std::isnan(one[1]) == (known == model[number].end()));
                if (known == model[number].end()) continue;
                const auto& all = known->second;
                const double mean = std::accumulate(all.begin(), all.end(), 0.0) / static_cast<double>(all.size());
                CHECK(std::fabs(one[0] - *std::min_element(all.begin(), all.end())) <= 0.51 / unit);
                CHECK(std::fabs(one[1] - mean) <= 0.51 / unit);
                CHECK(std::fabs(one[2] - *std::max_element(all.begin(), all.end())) <= 0.51 / unit);
            }
        }
    }
}

TEST_CASE("what an earlier life has left fills what this one hasn't seen, and nothing else") {
    PieceGatherer before{small, {"heat", "power"}}, after{small, {"heat"}};
    const std::array warm{20.0, 3.0}, hot{70.0, 3.0}, later{50.0, 0.0};
    before.add(noon, warm);
    before.add(noon + 1, hot);
    before.add(noon + 20, hot);
    const std::string left = before.due()->text;
    after.recall(left);  // of no piece yet
    after.add(noon + 20, later);
    after.add(noon + 45, later);
    after.recall("{\"from\":1,\"step\":10,\"n\":6,\"series\":{\"heat\":{\"d\":0,\"m\":[9]}}}");
    after.recall("no piece");
    after.recall("{\"from\":" + std::to_string(noon) +
                 ",\"step\":10,\"n\":99,\"series\":{\"heat\":{\"d\":77,\"m\":[9]}}}");
    after.recall(left);
    const auto heat = read(after.due()->text).series.at("heat");
    REQUIRE(heat.size() == 5);
    CHECK(heat[0] == std::array{20.0, 45.0, 70.0});
    CHECK(std::isnan(heat[1][1]));
    CHECK(heat[2][1] == 50.0);
    CHECK(std::isnan(heat[3][1]));
    CHECK(heat[4][1] == 50.0);
}

TEST_CASE("no piece of a large station is larger than what is promised, and all of them together are bounded") {
    std::minstd_rand random{3};
    std::size_t all = 0;
    for (const HistoryLevel& level : history_levels) {
        std::vector<std::string> ids;
        for (int i = 0; i < 16; ++i) ids.push_back("a-quantity-of-a-long-name-" + std::to_string(i));
        PieceGatherer gatherer{level, ids};
        std::vector<double> values(ids.size());
        std::size_t largest = 0;
        for (std::int64_t i = 0; i <= 2 * level.bins; ++i) {
            for (double& value : values) value = std::uniform_real_distribution<double>{0.0, 2000.0}(random);
            gatherer.add(static_cast<double>(noon + i * level.bin_s), values);
            for (double& value : values) value = std::uniform_real_distribution<double>{0.0, 2000.0}(random);
            gatherer.add(static_cast<double>(noon + i * level.bin_s), values);
            for (auto piece = gatherer.due(); piece; piece = gatherer.due())
                largest = std::max(largest, piece->text.size());
        }
        MESSAGE(level.id << ": pieces of at most " << largest << " bytes, "
                         << largest * static_cast<std::size_t>(level.pieces) << " in all");
        CHECK(largest < largest_piece);
        all += largest * static_cast<std::size_t>(level.pieces);
    }
    CHECK(all < 2UL * 1024 * 1024);
}
