#include "base/wall_time.hpp"

#include <doctest/doctest.h>

using dekeyd::formats::to_iso;
using namespace std::chrono_literals;

TEST_CASE("wall time is written in UTC to the millisecond, cut and not rounded") {
    CHECK(to_iso(0s) == "1970-01-01T00:00:00.000Z");
    CHECK(to_iso(951782399s + 999999999ns) == "2000-02-28T23:59:59.999Z");  // date -u -d @951782399
    CHECK(to_iso(951782400s) == "2000-02-29T00:00:00.000Z");                // a leap day
    CHECK(to_iso(4102444800s) == "2100-01-01T00:00:00.000Z");               // beyond 2038
    CHECK(to_iso(-1ms) == "1969-12-31T23:59:59.999Z");
}
