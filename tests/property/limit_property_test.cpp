// The limit's timer against a reference that knows nothing of increments: it adds up the whole history each time.
#include <doctest/doctest.h>

#include <algorithm>
#include <random>
#include <vector>

#include "core/limit.hpp"

using namespace dekeyd::core;

namespace {

struct Look {
    std::int64_t at;
    Verdict verdict;
};

// Time beyond the level after all looks up to `now`, each lasting until the next.
std::int64_t outside_time(const std::vector<Look>& looks, std::int64_t now, std::int64_t qualify) {
    std::int64_t total = 0;
    Verdict seen = Verdict::missed;
    for (std::size_t i = 0; i < looks.size(); ++i) {
        if (looks[i].verdict != Verdict::missed) seen = looks[i].verdict;
        const std::int64_t until = i + 1 < looks.size() ? looks[i + 1].at : now;
        const std::int64_t length = until - looks[i].at;
        if (seen == Verdict::outside || seen == Verdict::unknown)
            total = std::min(total + length, qualify);
        else if (seen != Verdict::missed)
            total = std::max<std::int64_t>(total - length / 4, 0);
    }
    return total;
}

Condition reference(const std::vector<Look>& looks, std::int64_t qualify) {
    const std::int64_t now = looks.back().at;
    Verdict before = Verdict::missed, seen = Verdict::missed;
    for (std::size_t i = 0; i < looks.size(); ++i) {
        if (i + 1 == looks.size()) before = seen;
        if (looks[i].verdict != Verdict::missed) seen = looks[i].verdict;
    }
    const std::vector<Look> earlier{looks.begin(), looks.end() - 1};
    const std::int64_t previously = earlier.empty() ? 0 : outside_time(earlier, earlier.back().at, qualify);
    const std::int64_t total = outside_time(earlier, now, qualify);
    if (before == Verdict::outside && previously < qualify && total >= qualify) return Condition::bad;
    if (seen == Verdict::missed) return Condition::unknown;
    if (seen == Verdict::outside && total >= qualify) return Condition::bad;
    switch (looks.back().verdict) {
        case Verdict::rest:
        case Verdict::clear: return Condition::clear;
        case Verdict::band:
        case Verdict::outside: return Condition::band;
        case Verdict::unknown: return Condition::unknown;
        case Verdict::missed: return Condition::missed;
    }
    return Condition::unknown;
}

}  // namespace

TEST_CASE("random nanoseconds: the timer agrees with the sum over its history") {
    std::mt19937_64 random{20260115};
    std::size_t bad = 0, looks_made = 0;
    for (int round = 0; round < 3000; ++round) {
        const std::int64_t qualify = std::uniform_int_distribution<std::int64_t>{0, 50}(random);
        QualifyTimer timer{Duration{qualify}};
        std::vector<Look> looks;
        std::int64_t now = 1000;
        for (int i = 0; i < 40; ++i) {
            now += std::uniform_int_distribution<std::int64_t>{0, 30}(random);
            // Two verdicts are likelier than the rest, so that long runs of one occur.
            const int draw = std::uniform_int_distribution<int>{0, 9}(random);
            const auto verdict = draw < 6 ? static_cast<Verdict>(draw) : draw < 8 ? Verdict::outside : Verdict::clear;
            looks.push_back({now, verdict});
            const Condition condition = timer.update(Instant{Duration{now}}, verdict);
            const Condition should = reference(looks, qualify);
            REQUIRE(condition == should);
            bad += condition == Condition::bad ? 1 : 0;
            ++looks_made;
        }
    }
    CHECK(bad > looks_made / 20);  // the drawing reaches both sides
    CHECK(bad < looks_made);
}

TEST_CASE("scaling every duration keeps the trace") {
    std::mt19937_64 random{7};
    for (int round = 0; round < 500; ++round) {
        const std::int64_t qualify = std::uniform_int_distribution<std::int64_t>{0, 40}(random)*4;
        QualifyTimer one{Duration{qualify}}, many{Duration{qualify * 1'000'003}};
        std::int64_t now = 400;
        for (int i = 0; i < 60; ++i) {
            now += std::uniform_int_distribution<std::int64_t>{0, 20}(random)*4;
            const auto verdict = static_cast<Verdict>(std::uniform_int_distribution<int>{0, 5}(random));
            REQUIRE(one.update(Instant{Duration{now}}, verdict) ==
                    many.update(Instant{Duration{now * 1'000'003}}, verdict));
        }
    }
}

TEST_CASE("judge: a value nearer to the trip is never judged better, whatever the levels") {
    std::mt19937_64 random{11};
    std::uniform_real_distribution<double> number{-100.0, 100.0};
    const auto worse = [](Verdict a, Verdict b) { return static_cast<int>(a) > static_cast<int>(b); };
    for (int round = 0; round < 20000; ++round) {
        LimitPlan l;
        l.direction = round % 2 == 0 ? Direction::above : Direction::below;
        const double a = number(random), b = number(random);
        l.trip = l.direction == Direction::above ? std::max(a, b) : std::min(a, b);
        l.clear = l.direction == Direction::above ? std::min(a, b) : std::max(a, b);
        const double x = number(random), y = number(random);
        const bool y_nearer = l.direction == Direction::above ? y >= x : y <= x;
        const auto seen = [&](double v) {
            return verdict_of(l, {.value = v, .low = v, .high = v, .health = Health::good, .fault = Fault::none},
                              nullptr, false);
        };
        CHECK_FALSE((y_nearer ? worse(seen(x), seen(y)) : worse(seen(y), seen(x))));
    }
}
