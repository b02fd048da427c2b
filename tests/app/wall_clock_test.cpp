#include "base/wall_clock.hpp"

#include <doctest/doctest.h>

#include <algorithm>

using namespace dekeyd;
using namespace std::chrono_literals;

TEST_CASE("an instant of ten seconds ago is stamped ten seconds earlier than now") {
    const core::Instant now = monotonic_now();
    const auto apart = wall_stamp(now).since_1970 - wall_stamp(now - 10s).since_1970;
    CHECK(apart > 9s);
    CHECK(apart < 11s);
    CHECK(wall_stamp(now).since_1970 > 0s);
}

TEST_CASE("the time asleep stands still while nothing sleeps") {
    core::Duration least = core::Duration::max(), most{};
    for (int i = 0; i < 2000; ++i) {
        least = std::min(least, time_asleep());
        most = std::max(most, time_asleep());
    }
    CHECK(least > -1ms);
    CHECK(most - least < 1ms);  // of a deadline of 1 ms and more
}

TEST_CASE("monotonic time doesn't go back") {
    const core::Instant before = monotonic_now();
    CHECK(monotonic_now() >= before);
}
