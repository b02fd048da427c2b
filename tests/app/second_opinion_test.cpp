// The guard with a core that is broken: it was given a plan without the limit that the second opinion knows of.
#include <doctest/doctest.h>

#include <array>

#include "app/allocations.hpp"
#include "app/fake_line.hpp"
#include "guard/guard.hpp"
#include "sample_plan.hpp"
#include "second_opinion/bounds.hpp"

using namespace dekeyd;
using namespace std::chrono_literals;

namespace {

constexpr core::Duration period = 100ms;
constexpr core::Duration patience = period;  // of the heatsink's limit: no qualify time, and a round

ScanBuffer four_slots() {
    ScanBuffer buffer;
    buffer.samples.resize(4);
    return buffer;
}

second_opinion::Monitor monitor_of(const core::Plan& plan) {
    const std::array<second_opinion::Time, 1> rounds{period};
    const second_opinion::Bounds all = second_opinion::bounds_of(plan, rounds);
    return {all.sensors, all.bounds, all.supply_time};
}

struct Station {
    core::Plan plan = test::sample_plan();  // what is true
    core::Plan broken = plan;               // what core has
    Wake wake;
    ScanRing scans{scan_places, four_slots()};
    Ring<core::Command> commands{8};
    Outlet outlet{plan};
    StepQueue step_queue;
    std::shared_ptr<test::Pad> pad = std::make_shared<test::Pad>();
    std::shared_ptr<test::Pad> contactor;
    Guard guard{
        period, wake, {.scans = {&scans}, .commands = {&commands}, .outlets = {&outlet}, .step_queue = &step_queue}};
    core::Instant now{1s};
    double heatsink_c = 30.0;
    bool silent = false;
    std::vector<core::Event> events;

    void forget_the_limit() {
        broken.limits[test::heatsink_limit].trip = 1000.0;
        broken.limits[test::heatsink_limit].clear = 999.0;
    }
    void begin() {
        guard.take_lines({.line = std::make_unique<test::FakeLine>(pad),
                          .contactor = contactor ? std::make_unique<test::FakeLine>(contactor) : nullptr,
                          .dynamic_permit = nullptr});
        guard.begin(std::make_unique<core::Protection>(broken, core::Memory{}, false), monitor_of(plan));
    }
    void push_scan() {
        ScanBuffer* const buffer = scans.claim();
        if (buffer == nullptr) return;
        buffer->finished = now;
        for (core::Sample& sample : buffer->samples) sample = {.value = 0.0, .begun = now, .fault = core::Fault::none};
        buffer->samples[0].value = heatsink_c;
        if (silent) buffer->samples[0].fault = core::Fault::bad_crc;
        scans.commit();
    }
    core::Instant step(core::Duration later = period) {
        now += later;
        push_scan();
        return cycle();
    }
    core::Instant cycle() {
        const core::Instant next = guard.cycle(now);
        for (; outlet.events.front() != nullptr; outlet.events.pop()) events.push_back(*outlet.events.front());
        return next;
    }
    void until_permit() {
        for (int i = 0; i < 200 && !pad->permit; ++i) step();
        REQUIRE(pad->permit);
    }
    const core::Snapshot& snapshot() {
        outlet.snapshot.take();
        return outlet.snapshot.value();
    }
    [[nodiscard]] const core::Event* trip() const {
        const core::Event* found = nullptr;
        for (const core::Event& event : events) {
            if (event.kind != core::EventKind::tripped) continue;
            CHECK(found == nullptr);  // one, and it accuses nothing else
            found = &event;
        }
        return found;
    }
};

}  // namespace

TEST_CASE("a core that lets a limit pass: the line is at inhibit in the same cycle, and core latches in the next") {
    Station s;
    s.forget_the_limit();
    s.begin();
    s.until_permit();
    s.heatsink_c = 80.0;
    const core::Instant first = s.now + period;
    core::Instant next{};
    while (s.pad->permit && s.now < first + 10s) next = s.step();
    CHECK(s.now - first == patience + period);  // longer than the patience
    CHECK_FALSE(s.guard.permits());
    CHECK_FALSE(s.snapshot().permit);  // nobody is told of a permit that isn't
    CHECK(s.trip() == nullptr);
    CHECK(next - s.now <= 1ms);
    s.now = next;
    s.cycle();
    REQUIRE(s.trip() != nullptr);
    CHECK(s.trip()->source == core::source_of(s.plan, core::Builtin::second_opinion));
    CHECK(s.trip()->about == test::heatsink_limit);
    CHECK(s.trip()->first_cause);
    CHECK(s.snapshot().state == core::State::latched);
    CHECK(s.snapshot().memory.latched[s.trip()->source]);
    // In the step queue: decided as a permit, and the objection before the next decision.
    formats::RecordedStep before, step;
    while (s.step_queue.take(step)) {
        if (!step.commands.empty()) break;
        before = step;
    }
    CHECK(before.permit);
    REQUIRE(step.commands.size() == 1);
    CHECK(step.commands[0].kind == core::CommandKind::objected);
    CHECK(step.commands[0].limit == test::heatsink_limit);
    CHECK_FALSE(step.permit);
    CHECK_FALSE(s.step_queue.take(step));
    s.heatsink_c = 30.0;
    for (int i = 0; i < 300; ++i) s.step();
    CHECK_FALSE(s.pad->permit);
    s.commands.push({.kind = core::CommandKind::reset, .origin = core::Origin::local, .id = 1});
    s.until_permit();
}

TEST_CASE("a core that has forgotten a sensor's age") {
    Station s;
    s.broken.channels[0].allowed_age = 1h;
    s.begin();
    s.until_permit();
    const core::Instant last = s.now;
    s.silent = true;
    while (s.pad->permit && s.now < last + 20s) s.step();
    CHECK(s.now - last == s.plan.channels[0].allowed_age + period + period);  // its age, a round, and longer
    s.step(1ms);
    REQUIRE(s.trip() != nullptr);
    CHECK(s.trip()->about == test::heatsink_sensor);
}

TEST_CASE("what is wrong before the first permit never lets the line go there") {
    Station s;
    s.forget_the_limit();
    s.heatsink_c = 80.0;
    s.begin();
    for (int i = 0; i < 200; ++i) s.step();
    for (const bool written : s.pad->writes) CHECK_FALSE(written);
    CHECK(s.trip() != nullptr);
}

TEST_CASE("a core in order: the same world brings nothing from the second opinion") {
    Station s;
    s.begin();
    s.until_permit();
    s.heatsink_c = 80.0;
    for (int i = 0; i < 100; ++i) s.step();
    s.silent = true;
    for (int i = 0; i < 100; ++i) s.step();
    CHECK_FALSE(s.pad->permit);
    REQUIRE(s.trip() != nullptr);
    CHECK(s.trip()->source == test::heatsink_limit);
    CHECK(s.snapshot().state == core::State::tripped);
}

TEST_CASE("a contactor that is open, or has closed just now, lets the supply's limits rest") {
    Station s;
    s.contactor = std::make_shared<test::Pad>();
    for (core::Plan* plan : {&s.plan, &s.broken}) {
        plan->supervision.contactor = true;
        plan->limits[test::heatsink_limit].while_supplied = true;
    }
    s.forget_the_limit();
    s.begin();
    bool was_closed = false;
    core::Instant closed{};
    s.heatsink_c = 80.0;
    while (s.trip() == nullptr && s.now < core::Instant{60s}) {
        s.step();
        if (s.contactor->permit && !was_closed) closed = s.now;
        was_closed = s.contactor->permit;
    }
    REQUIRE(s.trip() != nullptr);
    CHECK(s.now - closed >= s.plan.supervision.contactor_time + patience);
    CHECK(s.contactor->permit);
}

TEST_CASE("the objection travels with an operator's command, and asks for no memory" *
          doctest::skip(!test::allocations_are_counted)) {
    Station s;
    s.forget_the_limit();
    s.begin();
    s.until_permit();
    s.heatsink_c = 80.0;
    s.events.reserve(100);
    s.pad->writes.reserve(100);
    const std::uint64_t before = test::allocations_of_this_thread();
    for (int i = 0; i < 4; ++i) {
        s.commands.push({.kind = core::CommandKind::hold, .origin = core::Origin::remote, .id = 7});
        s.step();
    }
    CHECK(test::allocations_of_this_thread() == before);
    CHECK_FALSE(s.pad->permit);
}
