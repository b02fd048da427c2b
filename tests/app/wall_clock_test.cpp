#include "daemon/wall_clock.hpp"

#include <doctest/doctest.h>

using namespace dekeyd;
using namespace std::chrono_literals;

TEST_CASE("an instant of ten seconds ago is stamped ten seconds earlier than now") {
    const core::Instant now = monotonic_now();
    const auto apart = wall_stamp(now).since_1970 - wall_stamp(now - 10s).since_1970;
    CHECK(apart > 9s);
    CHECK(apart < 11s);
    CHECK(wall_stamp(now).since_1970 > 0s);
}

TEST_CASE("monotonic time doesn't go back") {
    const core::Instant before = monotonic_now();
    CHECK(monotonic_now() >= before);
}
