#include "base/handover.hpp"

#include <doctest/doctest.h>

#include <atomic>
#include <numeric>
#include <thread>
#include <vector>

#include "base/wall_clock.hpp"

using namespace dekeyd;
using namespace std::chrono_literals;

TEST_CASE("a ring keeps the order and refuses what it has no place for") {
    Ring<int> ring{3};
    CHECK(ring.front() == nullptr);
    CHECK(ring.push(1));
    CHECK(ring.push(2));
    CHECK(ring.push(3));
    CHECK_FALSE(ring.push(4));
    CHECK(ring.refused() == 1);
    REQUIRE(ring.front() != nullptr);
    CHECK(*ring.front() == 1);
    ring.pop();
    CHECK(ring.push(5));
    for (const int expected : {2, 3, 5}) {
        REQUIRE(ring.front() != nullptr);
        CHECK(*ring.front() == expected);
        ring.pop();
    }
    CHECK(ring.front() == nullptr);
    CHECK(ring.refused() == 1);
}

TEST_CASE("peek looks behind the oldest item, also across the ring's end") {
    Ring<int> ring{3};
    for (int turn = 0; turn < 9; ++turn) {
        CHECK(ring.peek(0) == nullptr);
        ring.push(turn);
        ring.push(turn + 100);
        REQUIRE(ring.peek(0) != nullptr);
        REQUIRE(ring.peek(1) != nullptr);
        CHECK(*ring.peek(0) == turn);
        CHECK(*ring.peek(1) == turn + 100);
        CHECK(ring.peek(2) == nullptr);
        ring.pop();
        CHECK(*ring.peek(0) == turn + 100);
        ring.pop();
    }
}

TEST_CASE("what was looked at and not popped can't be overwritten") {
    Ring<int> ring{2};
    ring.push(1);
    ring.push(2);
    const int* const held = ring.peek(0);
    CHECK_FALSE(ring.push(3));
    CHECK(*held == 1);
}

TEST_CASE("newest gives the last one published, once") {
    Newest<int> newest{0};
    CHECK_FALSE(newest.take());
    newest.draft() = 1;
    newest.publish();
    newest.draft() = 2;
    newest.publish();
    CHECK(newest.take());
    CHECK(newest.value() == 2);
    CHECK_FALSE(newest.take());
    CHECK(newest.value() == 2);
}

TEST_CASE("a wake before the wait is not lost, and a wait ends at its time") {
    Wake wake;
    const core::Instant far = monotonic_now() + 1h;
    wake.ring();
    wake.wait(far);  // would hang for an hour
    const core::Instant soon = monotonic_now() + 20ms;
    wake.wait(soon);
    CHECK(monotonic_now() >= soon);
    wake.wait(core::Instant{});  // the past
    wake.wait(core::Instant::min());
}

TEST_CASE("two threads: every item arrives in order, or is counted as refused") {
    constexpr std::uint64_t items = 300'000;
    Ring<std::uint64_t> ring{16};
    Wake wake;
    std::atomic<bool> done{false};
    std::thread producer{[&] {
        for (std::uint64_t i = 1; i <= items; ++i) {
            ring.push(i);
            wake.ring();
        }
        done = true;
        wake.ring();
    }};
    std::uint64_t seen = 0, last = 0;
    bool in_order = true;
    while (true) {
        const bool last_round = done;
        while (const std::uint64_t* item = ring.front()) {
            in_order = in_order && *item > last;
            last = *item;
            ++seen;
            ring.pop();
        }
        if (last_round) break;
        wake.wait(monotonic_now() + 10s);
    }
    producer.join();
    CHECK(in_order);
    CHECK(seen + ring.refused() == items);
    CHECK(seen > 0);
}

TEST_CASE("two threads: a value is never torn, and never older than one seen before") {
    constexpr std::uint64_t versions = 200'000;
    using Value = std::array<std::uint64_t, 32>;
    Newest<Value> newest{Value{}};
    std::atomic<bool> done{false};
    std::thread writer{[&] {
        for (std::uint64_t i = 1; i <= versions; ++i) {
            newest.draft().fill(i);
            newest.publish();
        }
        done = true;
    }};
    bool whole = true, forward = true;
    std::uint64_t last = 0;
    while (true) {
        const bool last_round = done;
        if (newest.take()) {
            const Value& value = newest.value();
            for (const std::uint64_t part : value) whole = whole && part == value[0];
            forward = forward && value[0] > last;
            last = value[0];
        }
        if (last_round) break;
    }
    writer.join();
    CHECK(whole);
    CHECK(forward);
    CHECK(last == versions);
}

TEST_CASE("two threads: each ring of the wake ends a wait") {
    constexpr int turns = 20'000;
    Wake ping, pong;
    std::atomic<int> at{0};
    std::thread other{[&] {
        for (int i = 0; i < turns; ++i) {
            while (at.load() != 2 * i + 1) ping.wait(monotonic_now() + 10s);
            at = 2 * i + 2;
            pong.ring();
        }
    }};
    const core::Instant began = monotonic_now();
    for (int i = 0; i < turns; ++i) {
        at = 2 * i + 1;
        ping.ring();
        while (at.load() != 2 * i + 2) pong.wait(monotonic_now() + 10s);
    }
    other.join();
    // One lost wake would cost ten seconds.
    CHECK(monotonic_now() - began < 10s);
}
