#include "base/log.hpp"

#include <doctest/doctest.h>

using namespace dekeyd;
using namespace std::chrono_literals;

TEST_CASE("one message per interval, the others counted") {
    RateLimit limit{10s};
    const core::Instant start{1000s};
    CHECK(limit.pass(start));
    CHECK(limit.since().empty());
    for (int i = 1; i < 10; ++i) CHECK_FALSE(limit.pass(start + i * 1s));
    CHECK(limit.pass(start + 10s));
    CHECK(limit.since() == " (9 more like it before)");
    CHECK(limit.since().empty());
}

TEST_CASE("a burst passes, then one per interval; rest earns the burst again") {
    RateLimit limit{10s, 3};
    core::Instant now{1000s};
    const auto passed = [&](int tries, core::Duration apart) {
        int count = 0;
        for (int i = 0; i < tries; ++i, now += apart) count += limit.pass(now) ? 1 : 0;
        return count;
    };
    CHECK(passed(10, 1ms) == 3);
    CHECK(passed(101, 1s) == 10);
    now += 1min;
    CHECK(passed(10, 1ms) == 3);
}

TEST_CASE("just after boot, when the clock is near its start") {
    RateLimit limit{60s, 5};
    CHECK(limit.pass(core::Instant{1ms}));
}
