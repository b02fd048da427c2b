#include "base/service_manager.hpp"

#include <doctest/doctest.h>

#include <array>

using namespace dekeyd;
using namespace std::chrono_literals;

namespace {

constexpr std::array<core::Duration, 3> oldest{100ms, 5s, 0s};

core::Instant at(core::Duration since_boot) {
    return core::Instant{since_boot};
}

}  // namespace

TEST_CASE("petted only when the guard has decided since") {
    WatchdogRule rule;
    const std::array scans{at(100s), at(100s), at(100s)};
    CHECK_FALSE(rule.may_pet(at(100s), 0, false, scans, oldest));
    CHECK(rule.may_pet(at(100s), 1, false, scans, oldest));
    CHECK_FALSE(rule.may_pet(at(101s), 1, false, scans, oldest));
    CHECK(rule.may_pet(at(102s), 2, false, scans, oldest));
}

TEST_CASE("a jammed bus withholds it only while the line permits") {
    WatchdogRule rule;
    const std::array jammed{at(90s), at(100s), at(100s)};
    CHECK_FALSE(rule.may_pet(at(100s), 1, true, jammed, oldest));
    CHECK(rule.may_pet(at(100s), 1, false, jammed, oldest));
    CHECK_FALSE(rule.may_pet(at(100s), 2, true, jammed, oldest));
}

TEST_CASE("each bus has its own age, and one that nothing depends on has none") {
    WatchdogRule rule;
    CHECK(rule.may_pet(at(100s), 1, true, std::array{at(99s), at(95s), at(1s)}, oldest));
    CHECK_FALSE(rule.may_pet(at(100s), 2, true, std::array{at(98s), at(95s), at(1s)}, oldest));
    CHECK_FALSE(rule.may_pet(at(100s), 2, true, std::array{at(99s), at(93s), at(1s)}, oldest));
    // Never read at all.
    CHECK_FALSE(rule.may_pet(at(100s), 2, true, std::array{core::Instant{}, at(95s), at(1s)}, oldest));
}
