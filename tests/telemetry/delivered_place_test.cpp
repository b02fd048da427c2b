#include "telemetry/delivered_place.hpp"

#include <doctest/doctest.h>

#include <filesystem>
#include <fstream>

#include "base/wall_clock.hpp"
#include "temporary_folder.hpp"

using namespace dekeyd;
using namespace std::chrono_literals;

TEST_CASE("a place is found again in its own journal") {
    const test::TemporaryFolder folder;
    {
        DeliveredPlace place{folder.path()};
        place.start();
        CHECK(place.in("abc", 9) == 0);
        place.set(7);
        CHECK(place.stop(monotonic_now() + 10s));
    }
    DeliveredPlace place{folder.path()};
    CHECK(place.in("abc", 9) == 7);
    CHECK(place.in("another", 9) == 0);
    CHECK(place.in("another", 9) == 0);
}

TEST_CASE("a journal that lost what it had confirmed is gone on with where it ends") {
    const test::TemporaryFolder folder;
    DeliveredPlace place{folder.path()};
    place.in("abc", 9);
    place.set(9);
    CHECK(place.in("abc", 4) == 4);
}

TEST_CASE("a place that is damaged anywhere is none") {
    const test::TemporaryFolder folder;
    std::string whole;
    {
        DeliveredPlace place{folder.path()};
        place.start();
        place.in("abc", 1000);
        place.set(1000);
        REQUIRE(place.stop(monotonic_now() + 10s));
        std::ifstream file{folder / "delivered"};
        whole.assign(std::istreambuf_iterator<char>{file}, {});
    }
    REQUIRE(whole.size() > 10);
    for (std::size_t i = 0; i < whole.size(); ++i) {
        std::string damaged = whole;
        damaged[i] = static_cast<char>(damaged[i] ^ 1);
        std::ofstream{folder / "delivered"} << damaged;
        CHECK(DeliveredPlace{folder.path()}.in("abc", 5000) == 0);
        std::ofstream{folder / "delivered"} << whole.substr(0, i);
        CHECK(DeliveredPlace{folder.path()}.in("abc", 5000) == 0);
    }
}

TEST_CASE("a folder that isn't there is said at the stop") {
    const test::TemporaryFolder folder;
    DeliveredPlace place{folder / "missing"};
    place.start();
    place.in("abc", 3);
    place.set(3);
    CHECK_FALSE(place.stop(monotonic_now() + 10s));
}
