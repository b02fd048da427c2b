// daemon/recording/step_queue.hpp: whole records in order, whatever the place of the wrap; what finds no room is
// counted.
#include "recording/step_queue.hpp"

#include <doctest/doctest.h>

#include <thread>

#include "amplifier.hpp"

using namespace recorded;

namespace {

void put(StepQueue& queue, std::uint64_t i) {
    std::vector<core::Sample> samples(i % 7);
    for (core::Sample& sample : samples) sample.value = static_cast<double>(i);
    const std::array scans{core::Scan{static_cast<std::uint16_t>(i % 3), samples}, core::Scan{9, samples}};
    const std::array commands{
        core::Command{core::CommandKind::reset, core::Origin::local, static_cast<std::uint32_t>(i)}};
    queue.record({.now = core::Instant{std::chrono::nanoseconds{i}},
                  .scans = std::span{scans}.first(i % 3),
                  .commands = std::span{commands}.first(i % 2),
                  .line = {.known = true, .permit = i % 2 == 0},
                  .suspended = std::chrono::nanoseconds{i / 2},
                  .contactor = {.known = i % 3 == 0, .permit = i % 4 == 0}},
                 {.permit = i % 5 == 0, .contactor = i % 3 == 0, .wake_at = {}});
}

void check(const formats::RecordedStep& step) {
    const std::uint64_t i = step.number;
    REQUIRE(step.now.time_since_epoch().count() == static_cast<std::int64_t>(i));
    REQUIRE(step.scans.size() == i % 3);
    REQUIRE(step.commands.size() == i % 2);
    REQUIRE(step.suspended == std::chrono::nanoseconds{i / 2});
    REQUIRE(step.contactor_line.known == (i % 3 == 0));
    REQUIRE(step.contactor_line.permit == (i % 4 == 0));
    REQUIRE(step.permit == (i % 5 == 0));
    for (const auto& scan : step.scans) {
        REQUIRE(scan.samples.size() == i % 7);
        for (const auto& sample : scan.samples) REQUIRE(sample.value == static_cast<double>(i));
    }
    if (i % 2 == 1) REQUIRE(step.commands[0].id == i);
}

}  // namespace

TEST_CASE("records come out as they went in, through thousands of wraps of tapes of odd sizes") {
    for (const std::size_t size : {1001UL, 1024UL, 1203UL, 2000UL, 4096UL}) {
        CAPTURE(size);
        StepQueue queue{size};
        formats::RecordedStep step;
        std::uint64_t i = 0, expected = 1;
        for (int round = 0; round < 3000; ++round) {
            for (int n = round % 4; n > 0; --n) put(queue, ++i);
            for (int n = (round * 7) % 5; n > 0 && queue.take(step); --n) {
                REQUIRE(step.number >= expected);
                expected = step.number + 1;
                check(step);
            }
        }
        while (queue.take(step)) check(step);
        CHECK(step.number + queue.lost() >= i);
    }
}

TEST_CASE("a full queue refuses, counts, and goes on when there is room") {
    StepQueue queue{600};
    formats::RecordedStep step;
    for (std::uint64_t i = 1; i <= 100; ++i) put(queue, i);
    const std::uint64_t lost = queue.lost();
    CHECK(lost > 80);
    std::uint64_t got = 0;
    while (queue.take(step)) check(step), ++got;
    CHECK(got + lost == 100);
    put(queue, 101);
    REQUIRE(queue.take(step));
    CHECK(step.number == 101);
}

TEST_CASE("between two threads nothing is torn") {
    StepQueue queue{5000};
    constexpr std::uint64_t most = 50'000;
    std::atomic<bool> done{false};
    std::thread guard{[&] {
        for (std::uint64_t i = 1; i <= most; ++i) put(queue, i);
        done = true;
    }};
    formats::RecordedStep step;
    std::uint64_t got = 0, last = 0;
    for (bool end = false; !end;) {
        end = done;
        while (queue.take(step)) {
            REQUIRE(step.number > last);
            last = step.number;
            check(step);
            ++got;
        }
    }
    guard.join();
    CHECK(got + queue.lost() == most);
}
