#include "recording/latest_history.hpp"

#include <doctest/doctest.h>

#include <nlohmann/json.hpp>

using dekeyd::LatestHistory;

TEST_CASE("the last captures are kept, each in its place") {
    LatestHistory latest;
    LatestHistory::Kept kept;
    std::uint64_t version = 1;
    CHECK_FALSE(latest.take(kept, version));
    for (int i = 0; i < 5; ++i) latest.put_capture(std::to_string(i));
    REQUIRE(latest.take(kept, version));
    CHECK(kept.captures == std::array<std::string, 4>{"4", "1", "2", "3"});
    CHECK_FALSE(latest.take(kept, version));
    CHECK(kept.captures[0] == "4");
    // Who comes anew finds all of it.
    LatestHistory::Kept anew;
    std::uint64_t none = 0;
    REQUIRE(latest.take(anew, none));
    CHECK(anew.captures == kept.captures);
}

TEST_CASE("transmissions: those from before the start first, never more than there is room for") {
    LatestHistory latest;
    LatestHistory::Kept kept;
    std::uint64_t version = 1;
    CHECK(kept.transmissions == "[]");
    latest.put_transmission("100");
    latest.put_earlier_transmissions({"1", "2"});
    REQUIRE(latest.take(kept, version));
    CHECK(kept.transmissions == "[1,2,100]");
    for (int i = 0; i < 100; ++i) latest.put_transmission(std::to_string(i));
    latest.put_earlier_transmissions({"7"});
    REQUIRE(latest.take(kept, version));
    const auto json = nlohmann::json::parse(kept.transmissions);
    CHECK(json.size() == LatestHistory::most_transmissions);
    CHECK(json.front() == 52);
    CHECK(json.back() == 99);
}
