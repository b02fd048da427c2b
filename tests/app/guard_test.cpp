#include "guard/guard.hpp"

#include <doctest/doctest.h>
#include <fcntl.h>
#include <pthread.h>
#include <time.h>
#include <unistd.h>

#include <cerrno>
#include <thread>
#include <utility>

#include "app/allocations.hpp"
#include "app/fake_line.hpp"
#include "base/wall_clock.hpp"
#include "eventually.hpp"
#include "messages/control.hpp"
#include "sample_plan.hpp"

using namespace dekeyd;
using namespace std::chrono_literals;
using test::FakeLine;
using test::Pad;

namespace {

constexpr core::Duration period = 100ms;

ScanBuffer blank_scan(std::size_t slots) {
    ScanBuffer buffer;
    buffer.samples.resize(slots);
    return buffer;
}

Guard::Lines line_alone(std::shared_ptr<Pad> pad) {
    return {.line = std::make_unique<FakeLine>(std::move(pad)), .contactor = nullptr, .dynamic_permit = nullptr};
}

/// A guard over the sample plan, stepped by hand: heatsink, forward, reflected, forward again.
struct Bench {
    core::Plan plan = test::sample_plan();
    Wake wake;
    ScanRing scans{scan_places, blank_scan(4)};
    Ring<core::Command> commands{8};
    Outlet outlet{plan};
    std::shared_ptr<Pad> pad = std::make_shared<Pad>();
    std::shared_ptr<Pad> contactor;
    std::shared_ptr<Pad> dynamic_permit;
    Guard guard;
    core::Instant now{1s};
    double heatsink_c = 30.0;
    core::Fault fault = core::Fault::none;
    core::Duration asleep{};

    explicit Bench(bool with_contactor = false, core::Duration every = period)
        : guard{every, wake, {.scans = {&scans}, .commands = {&commands}, .outlets = {&outlet}}} {
        if (!with_contactor) return;
        contactor = std::make_shared<Pad>();
        plan.supervision.contactor = true;
    }
    void begin() {
        guard.take_lines({.line = std::make_unique<FakeLine>(pad),
                          .contactor = contactor ? std::make_unique<FakeLine>(contactor) : nullptr,
                          .dynamic_permit = dynamic_permit ? std::make_unique<FakeLine>(dynamic_permit) : nullptr});
        guard.begin(std::make_unique<core::Protection>(plan, core::Memory{}, false));
    }
    void push_scan() {
        ScanBuffer* const buffer = scans.claim();
        if (buffer == nullptr) return;
        buffer->finished = now;
        buffer->samples[0] = {.value = heatsink_c, .begun = now, .fault = fault};
        for (std::size_t slot = 1; slot <= 3; ++slot)
            buffer->samples[slot] = {.value = 0.0, .begun = now, .fault = fault};
        scans.commit();
    }
    core::Instant step(core::Duration later = period) {
        now += later;
        push_scan();
        return guard.cycle(now, asleep);
    }
    void until_permit() {
        for (int i = 0; i < 100 && !pad->permit; ++i) step();
        REQUIRE(pad->permit);
    }
    std::vector<core::Event> events() {
        std::vector<core::Event> taken;
        for (; outlet.events.front() != nullptr; outlet.events.pop()) taken.push_back(*outlet.events.front());
        return taken;
    }
    bool has_event(core::EventKind kind) {
        bool found = false;
        for (const core::Event& event : events()) found = found || event.kind == kind;
        return found;
    }
    const core::Snapshot& snapshot() {
        outlet.snapshot.take();
        return outlet.snapshot.value();
    }
};

}  // namespace

TEST_CASE("inhibit is written when the line is taken, permit only after the settling time of good readings") {
    Bench bench;
    bench.begin();
    CHECK(bench.guard.armed());
    CHECK(bench.pad->writes == std::vector<bool>{false});
    for (int i = 0; i < 50; ++i) bench.step();
    CHECK_FALSE(bench.pad->permit);
    bench.until_permit();
    CHECK(bench.guard.permits());
    CHECK(bench.snapshot().permit);
    CHECK(bench.snapshot().state == core::State::permitted);
    CHECK(bench.guard.cycles() > 50);
}

TEST_CASE("the line is written before anybody is told") {
    Bench bench;
    bench.begin();
    bool told_before = false;
    std::uint64_t sequence_at_write = 0;
    bench.pad->on_write = [&](bool permit) {
        for (const core::Event& event : bench.events()) {
            told_before = told_before || event.kind == (permit ? core::EventKind::permitted : core::EventKind::tripped);
        }
        sequence_at_write = bench.snapshot().sequence;
    };
    bench.until_permit();
    CHECK(sequence_at_write + 1 == bench.snapshot().sequence);
    bench.heatsink_c = 80.0;                   // above 70: no qualify time in this plan
    for (int i = 0; i < 4; ++i) bench.step();  // a lone jump waits for its second reading where a rule says so
    CHECK_FALSE(bench.pad->permit);
    CHECK_FALSE(told_before);
    CHECK(bench.has_event(core::EventKind::tripped));
}

TEST_CASE("silence inhibits within the allowed age, by the guard's own period") {
    Bench bench;
    bench.begin();
    bench.until_permit();
    const core::Instant last_scan = bench.now;
    core::Instant next = bench.now;
    while (bench.pad->permit && bench.now < last_scan + 20s) {
        bench.now = std::max(next, bench.now + 1ns);
        next = bench.guard.cycle(bench.now);
        REQUIRE(next <= bench.now + period);
    }
    CHECK(bench.now - last_scan <= 5s + period);  // allowed age and one period
    CHECK(bench.now - last_scan >= 5s);
}

TEST_CASE("a write that the kernel refuses: the protection is told, and inhibits until an operator looks") {
    Bench bench;
    bench.begin();
    bench.pad->refuses_permit = true;
    bool shown = false;
    for (int i = 0; i < 100; ++i) {
        bench.step();
        shown = shown || bench.snapshot().permit;
    }
    CHECK_FALSE(shown);
    CHECK_FALSE(bench.pad->permit);
    CHECK(bench.guard.failed_writes() >= 1);
    CHECK_FALSE(bench.guard.permits());
    CHECK_FALSE(bench.snapshot().permit);
    const core::SourceIndex mismatch = core::source_of(bench.plan, core::Builtin::line_mismatch);
    CHECK(bench.snapshot().causes[mismatch].active);
    CHECK(bench.has_event(core::EventKind::tripped));
    // It must not go on trying to permit.
    const std::size_t writes = bench.pad->writes.size();
    for (int i = 0; i < 100; ++i) bench.step();
    for (std::size_t i = writes; i < bench.pad->writes.size(); ++i) CHECK_FALSE(bench.pad->writes[i]);
}

TEST_CASE("an inhibit that the kernel refuses is tried again within milliseconds") {
    Bench bench;
    bench.begin();
    bench.until_permit();
    bench.pad->refuses_inhibit = true;
    bench.commands.push({.kind = core::CommandKind::hold, .origin = core::Origin::local, .id = 1});
    const core::Instant next = bench.step();
    CHECK(next - bench.now <= 5ms);
    CHECK(bench.pad->permit);
    // Not a completed cycle, which is what serves the watchdog, and no inhibit that a reader may believe.
    const std::uint64_t completed = bench.guard.cycles();
    bench.now = next;
    const core::Instant later = bench.guard.cycle(bench.now);
    CHECK(bench.guard.cycles() == completed);
    CHECK(bench.snapshot().permit);
    CHECK(bench.snapshot().line_refuses);
    bench.pad->refuses_inhibit = false;
    bench.now = later;
    bench.guard.cycle(bench.now);
    CHECK_FALSE(bench.pad->permit);
    CHECK(bench.guard.cycles() == completed + 1);
    CHECK_FALSE(bench.snapshot().permit);
    CHECK_FALSE(bench.snapshot().line_refuses);
}

TEST_CASE("a pad that stays at permit is noticed within a second and a period") {
    Bench bench;
    bench.begin();
    bench.until_permit();
    bench.pad->stuck_at = false;  // somebody else pulls it
    const core::Instant began = bench.now;
    while (bench.guard.permits() && bench.now < began + 10s) bench.step();
    CHECK(bench.now - began <= 1s + 2 * period);
}

TEST_CASE("a command is answered by an event with its number") {
    Bench bench;
    bench.begin();
    bench.until_permit();
    bench.events();
    bench.commands.push({.kind = core::CommandKind::hold, .origin = core::Origin::local, .id = 77});
    bench.step();
    CHECK_FALSE(bench.pad->permit);
    bool answered = false;
    for (const core::Event& event : bench.events()) {
        answered = answered || (event.kind == core::EventKind::held && event.command_id == 77);
    }
    CHECK(answered);
}

TEST_CASE("a reader that takes nothing loses events, counted, and the guard goes on") {
    Bench bench;
    bench.begin();
    for (std::uint32_t i = 0; i < 2000; ++i) {
        bench.commands.push({.kind = core::CommandKind::hold, .origin = core::Origin::local, .id = i});
        bench.step(1ms);
    }
    CHECK(bench.outlet.events.refused() > 900);
    CHECK(bench.snapshot().events_dropped == bench.outlet.events.refused());
    CHECK(bench.snapshot().now == bench.now);
    CHECK(bench.events().size() == Outlet::event_places);
}

TEST_CASE("scans that found no place count as overruns") {
    Bench bench;
    bench.begin();
    bench.step();
    CHECK(bench.snapshot().overruns == 0);
    for (std::size_t i = 0; i < scan_places + 3; ++i) bench.push_scan();
    bench.step(1ms);
    CHECK(bench.snapshot().overruns == 4);  // three, and the step's own
    CHECK(bench.scans.front() == nullptr);
}

TEST_CASE("the scans of two buses go in by the time at which they were finished, and many take several steps") {
    core::Plan plan = test::sample_plan();
    plan.samplers = {4, 1};
    plan.channels.push_back(test::sample_channel("supply", "Supply", core::ChannelKind::voltage, 0));
    plan.channels.back().sampler = 1;
    Wake wake;
    ScanRing adc{200, blank_scan(4)}, psu{200, blank_scan(1)};
    Outlet outlet{plan};
    Guard guard{period, wake, {.scans = {&adc, &psu}, .commands = {}, .outlets = {&outlet}}};
    guard.take_lines(
        {.line = std::make_unique<FakeLine>(std::make_shared<Pad>()), .contactor = nullptr, .dynamic_permit = nullptr});
    guard.begin(std::make_unique<core::Protection>(plan, core::Memory{}, false));
    const core::Instant start{10s};
    for (int i = 0; i < 100; ++i) {
        for (ScanRing* ring : {&psu, &adc}) {
            ScanBuffer* const buffer = ring->claim();
            buffer->finished = start + i * 1ms;
            for (core::Sample& sample : buffer->samples) {
                sample = {.value = 28.0, .begun = buffer->finished, .fault = core::Fault::none};
            }
            ring->commit();
        }
    }
    const core::Instant now = start + 200ms;
    const core::Instant again = guard.cycle(now);
    CHECK(again - now == 500us);  // 200 scans don't fit one step
    // By time, so that both are as far as the other: not one bus first and the other left behind.
    outlet.snapshot.take();
    const auto& quantities = outlet.snapshot.value().quantities;
    CHECK(quantities[0].taken == quantities[3].taken);
    CHECK(quantities[0].taken == start + 63ms);
    CHECK(guard.cycle(again) - again > 500us);  // and these were all
    CHECK(adc.front() == nullptr);
    CHECK(psu.front() == nullptr);
}

TEST_CASE("a sleep of the machine inhibits in the next cycle; one of before the start, or a look too short, is none") {
    Bench bench;
    bench.asleep = 7h;
    bench.begin();
    bench.until_permit();
    bench.asleep = 7h - 2s;  // the look was interrupted
    bench.step();
    bench.asleep = 7h;
    bench.step();
    CHECK(bench.pad->permit);
    bench.asleep += bench.plan.interlock.guard_deadline + 1ms;
    bench.step();
    CHECK_FALSE(bench.pad->permit);
    CHECK(bench.snapshot().state == core::State::latched);
}

TEST_CASE("the contactor's pad is looked at every second, and latches where it isn't as written") {
    Bench bench{true};
    bench.begin();
    bench.until_permit();
    CHECK(bench.step() - bench.now <= period);
    bench.contactor->stuck_at = false;
    const core::Instant began = bench.now;
    while (bench.pad->permit && bench.now - began < 5s) bench.step();
    CHECK(bench.now - began <= LineKeeper::look_interval + 2 * period);
    CHECK_FALSE(bench.pad->permit);
    CHECK(bench.snapshot().state == core::State::latched);
}

TEST_CASE("the contactor closes before the permit and opens after the inhibit") {
    Bench bench{true};
    std::vector<std::string> order;
    bench.pad->on_write = [&](bool permit) { order.push_back(permit ? "permit" : "inhibit"); };
    bench.contactor->on_write = [&](bool close) { order.push_back(close ? "close" : "open"); };
    bench.begin();
    bench.until_permit();
    CHECK(bench.contactor->permit);
    REQUIRE(order.size() >= 2);
    CHECK(order.back() == "permit");
    CHECK(order[order.size() - 2] == "close");
    order.clear();
    bench.pad->stuck_at = false;  // the line isn't as written: both go
    for (int i = 0; i < 15 && order.size() < 2; ++i) bench.step();
    for (int i = 0; i < 5; ++i) bench.step();  // and stay so
    CHECK(order == std::vector<std::string>{"inhibit", "open"});
}

TEST_CASE("the dynamic permit moves with each decision that permits, and rests at inhibit with all others") {
    Bench bench;
    bench.dynamic_permit = std::make_shared<Pad>();
    bench.begin();
    for (int i = 0; i < 5; ++i) bench.step();
    CHECK(bench.dynamic_permit->writes.empty());  // it was requested inhibited
    bench.until_permit();
    bench.dynamic_permit->writes.clear();
    for (int i = 0; i < 6; ++i) bench.step();
    REQUIRE(bench.dynamic_permit->writes.size() == 6);
    for (std::size_t i = 1; i < 6; ++i) {
        CHECK(bench.dynamic_permit->writes[i] != bench.dynamic_permit->writes[i - 1]);
    }
    bench.fault = core::Fault::io_error;
    for (int i = 0; i < 500 && bench.pad->permit; ++i) bench.step();
    CHECK_FALSE(bench.pad->permit);
    CHECK_FALSE(bench.dynamic_permit->permit);
    const std::size_t writes = bench.dynamic_permit->writes.size();
    for (int i = 0; i < 5; ++i) bench.step();
    CHECK(bench.dynamic_permit->writes.size() == writes);
}

TEST_CASE("a stop that is asked for before a decision is written wins") {
    Bench bench;
    bench.begin();
    bench.until_permit();
    bench.guard.ask_to_inhibit();
    bench.step();
    CHECK_FALSE(bench.pad->permit);
    CHECK_FALSE(bench.guard.permits());
}

TEST_CASE("a stop takes the dynamic permit back, too") {
    Bench bench;
    bench.dynamic_permit = std::make_shared<Pad>();
    bench.begin();
    bench.until_permit();
    while (!bench.dynamic_permit->permit) bench.step();
    bench.guard.inhibit_now();
    CHECK_FALSE(bench.dynamic_permit->permit);
    CHECK_FALSE(bench.pad->permit);
}

TEST_CASE("a decision asks for no memory" * doctest::skip(!test::allocations_are_counted)) {
    Bench bench;
    bench.begin();
    bench.until_permit();
    bench.events();
    bench.heatsink_c = 80.0;  // a trip, with its events
    bench.commands.push({.kind = core::CommandKind::hold, .origin = core::Origin::local, .id = 1});
    bench.now += period;
    bench.push_scan();
    // The fake line's own history is no part of it.
    bench.pad->writes.reserve(1000);
    const std::uint64_t before = test::allocations_of_this_thread();
    for (int i = 0; i < 10; ++i) bench.guard.cycle(bench.now += period);
    CHECK(test::allocations_of_this_thread() == before);
    CHECK_FALSE(bench.pad->permit);
}

TEST_CASE("the first decision comes with the protection, not a period later") {
    const core::Plan plan = test::sample_plan();
    Wake wake;
    Guard guard{1h, wake, {}};
    std::thread thread{
        [&] { guard.run([] { return line_alone(std::make_shared<Pad>()); }, [](const drivers::LineError&) {}); }};
    REQUIRE(test::eventually([&] { return guard.armed(); }));
    std::this_thread::sleep_for(20ms);  // until it waits
    guard.begin(std::make_unique<core::Protection>(plan, core::Memory{}, false));
    CHECK(test::eventually([&] { return guard.cycles() == 1; }, 10s));
    guard.leave();
    thread.join();
}

TEST_CASE("told to inhibit: at once, read back, for good, and published") {
    Bench bench;
    std::thread thread{
        [&] { bench.guard.run([&] { return line_alone(bench.pad); }, [](const drivers::LineError&) {}); }};
    const core::Instant cap = monotonic_now() + 30s;
    const auto wait_for = [&](auto condition) {
        while (!condition() && monotonic_now() < cap) std::this_thread::sleep_for(1ms);
        return condition();
    };
    REQUIRE(wait_for([&] { return bench.guard.armed(); }));
    CHECK_FALSE(bench.guard.has_inhibited());
    bench.guard.begin(std::make_unique<core::Protection>(bench.plan, core::Memory{}, false));
    REQUIRE(wait_for([&] { return bench.guard.cycles() >= 3; }));
    bench.guard.ask_to_inhibit();
    REQUIRE(wait_for([&] { return bench.guard.has_inhibited(); }));
    const std::uint64_t cycles = bench.guard.cycles();
    bench.wake.ring();
    bench.guard.leave();
    thread.join();
    CHECK(bench.guard.cycles() == cycles);
    CHECK_FALSE(bench.pad->writes.back());
    CHECK_FALSE(bench.snapshot().permit);
}

TEST_CASE("a line that can't be confirmed at inhibit is not called inhibited") {
    Bench bench;
    bench.pad->stuck_at = true;
    std::thread thread{
        [&] { bench.guard.run([&] { return line_alone(bench.pad); }, [](const drivers::LineError&) {}); }};
    bench.guard.ask_to_inhibit();
    const core::Instant cap = monotonic_now() + 30s;
    while (bench.guard.failed_writes() < 3 && !bench.guard.has_inhibited() && monotonic_now() < cap) {
        std::this_thread::sleep_for(1ms);
    }
    const bool never_armed = !bench.guard.armed();
    const bool inhibited = bench.guard.has_inhibited();
    bench.guard.leave();
    thread.join();
    // Told before it had the line: nothing was permitted. Told after: it may not say what the pad doesn't.
    CHECK((never_armed || !inhibited));
}

TEST_CASE("a busy line is tried again, told each time, and not armed meanwhile") {
    Bench bench;
    int tries = 0, complaints = 0;
    bool armed_while_busy = false;
    std::thread thread{[&] {
        bench.guard.run(
            [&] {
                if (++tries < 3) {
                    drivers::LineError error{"held by another program"};
                    error.busy = true;
                    throw error;
                }
                return line_alone(bench.pad);
            },
            [&](const drivers::LineError& error) {
                ++complaints;
                armed_while_busy = armed_while_busy || bench.guard.armed() || !error.busy;
            });
    }};
    const core::Instant cap = monotonic_now() + 30s;
    while (!bench.guard.armed() && monotonic_now() < cap) std::this_thread::sleep_for(1ms);
    bench.guard.leave();
    thread.join();
    CHECK(tries == 3);
    CHECK(complaints == 2);
    CHECK_FALSE(armed_while_busy);
    CHECK_FALSE(bench.pad->permit);
}

TEST_CASE("the line's descriptor is the guard's alone") {
    Bench bench;
    std::atomic<int> descriptor{-1};
    std::atomic<bool> mine{false};
    std::thread thread{[&] {
        bench.guard.run(
            [&] {
                mine = bench.guard.is_mine();
                descriptor = ::open("/dev/null", O_RDONLY | O_CLOEXEC);
                return line_alone(bench.pad);
            },
            [](const drivers::LineError&) {});
    }};
    const core::Instant cap = monotonic_now() + 30s;
    while (!bench.guard.armed() && monotonic_now() < cap) std::this_thread::sleep_for(1ms);
    CHECK(mine);
    CHECK_FALSE(bench.guard.is_mine());
    REQUIRE(descriptor.load() >= 0);
    // Here, in the table of all other threads, it doesn't exist.
    CHECK(::fcntl(descriptor.load(), F_GETFD) == -1);
    CHECK(errno == EBADF);
    bench.guard.leave();
    thread.join();
}

TEST_CASE("a command that waited too long for a decision is void; a hold never is") {
    for (const core::Duration age :
         {core::Duration{0}, formats::command_life - 1ns, formats::command_life, core::Duration{15s}}) {
        CAPTURE(age.count());
        Bench bench;
        bench.begin();
        bench.until_permit();
        bench.events();
        for (const core::CommandKind kind : {core::CommandKind::reset, core::CommandKind::hold}) {
            bench.commands.push({.kind = kind,
                                 .origin = core::Origin::local,
                                 .id = 1,
                                 .limit = 0,
                                 .arrived = bench.now + period - age});
        }
        bench.step();
        int answers = 0;
        for (const core::Event& event : bench.events()) answers += event.command_id == 1 ? 1 : 0;
        CHECK(answers == (age < formats::command_life ? 2 : 1));
        CHECK(bench.snapshot().state == core::State::held);
    }
}

TEST_CASE("when it comes again: a period after a scan, in step with the clock, at once only where something waits") {
    Bench bench;
    bench.begin();
    bench.until_permit();
    const auto cycle = [&](core::Duration later) {
        bench.now += later;
        return bench.guard.cycle(bench.now) - bench.now;
    };
    bench.step();
    const core::Instant scan = bench.now;
    CHECK(cycle(30ms) == 70ms);
    CHECK(cycle(70ms) == 100ms);           // no scan came
    CHECK(cycle(100ms - 100us) == 500us);  // sooner would take the whole processor
    CHECK(cycle(80ms + 100us) == 50ms);    // late: half a period at least, and
    CHECK(cycle(145ms) == 50ms);           // what was missed is not caught up with
    REQUIRE(bench.now == scan + 425ms);
    CHECK(bench.pad->permit);
    bench.pad->refuses_inhibit = true;
    bench.commands.push({.kind = core::CommandKind::hold, .origin = core::Origin::local, .id = 1});
    CHECK(cycle(10ms) == 2ms);
    CHECK(bench.guard.failed_writes() == 1);
    CHECK(cycle(2ms) == 2ms);
    CHECK(bench.guard.failed_writes() == 2);
}

TEST_CASE("the lines are inhibited as they are taken, the contactor's and the dynamic one too") {
    Bench bench{true};
    bench.dynamic_permit = std::make_shared<Pad>();
    bench.begin();
    CHECK(bench.pad->writes == std::vector<bool>{false});
    CHECK(bench.contactor->writes == std::vector<bool>{false});
    CHECK(bench.dynamic_permit->writes.empty());  // it was requested inhibited, and moves with permits alone
    CHECK(bench.guard.line_text() == "fake line");
}

TEST_CASE("a contactor that refuses counts as the line does") {
    Bench bench{true};
    bench.begin();
    bench.contactor->refuses_permit = true;
    const core::Instant next = bench.step();
    CHECK(next - bench.now == 2ms);
    CHECK(bench.guard.failed_writes() == 1);
    CHECK(bench.contactor->writes == std::vector<bool>{false, true, false});
    CHECK(bench.guard.cycles() == 1);  // nothing that should inhibit refused to
}

TEST_CASE("a contactor that refuses to open: not a completed cycle, and tried again at once") {
    Bench bench{true};
    bench.begin();
    bench.until_permit();
    REQUIRE(bench.contactor->permit);
    bench.contactor->refuses_inhibit = true;
    bench.pad->unreadable = true;  // the line can't be told, which opens the contactor
    const std::uint64_t failed = bench.guard.failed_writes();
    while (bench.guard.failed_writes() == failed) bench.step();
    CHECK(bench.contactor->permit);
    const std::uint64_t completed = bench.guard.cycles();
    CHECK(bench.step(2ms) - bench.now == 2ms);
    CHECK(bench.guard.cycles() == completed);
    bench.contactor->refuses_inhibit = false;
    bench.step(2ms);
    CHECK(bench.guard.cycles() == completed + 1);
    CHECK_FALSE(bench.contactor->permit);
}

TEST_CASE("a dynamic permit that can't be written is taken for high, and written low at the next inhibit") {
    Bench bench;
    bench.dynamic_permit = std::make_shared<Pad>();
    bench.begin();
    bench.dynamic_permit->refuses_permit = true;
    bench.until_permit();
    CHECK(bench.dynamic_permit->writes == std::vector<bool>{true});
    bench.step();  // not known: low is written before it is tried again
    bench.step();
    CHECK(bench.dynamic_permit->writes == std::vector<bool>{true, false, true});
    bench.commands.push({.kind = core::CommandKind::hold, .origin = core::Origin::local, .id = 1});
    bench.step();
    CHECK(bench.dynamic_permit->writes == std::vector<bool>{true, false, true, false});
    bench.step();
    CHECK(bench.dynamic_permit->writes.size() == 4);
}

TEST_CASE("sixteen commands a decision, an objection's own included; the others wait for the next one") {
    core::Plan plan = test::sample_plan();
    Wake wake;
    ScanRing scans{scan_places, blank_scan(4)};
    Ring<core::Command> first{32}, second{32};
    Outlet outlet{plan};
    Guard guard{period, wake, {.scans = {&scans}, .commands = {&first, &second}, .outlets = {&outlet}}};
    guard.take_lines(
        {.line = std::make_unique<FakeLine>(std::make_shared<Pad>()), .contactor = nullptr, .dynamic_permit = nullptr});
    guard.begin(std::make_unique<core::Protection>(plan, core::Memory{}, false));
    for (std::uint32_t id = 0; id < 10; ++id) {
        first.push({.kind = core::CommandKind::hold, .origin = core::Origin::local, .id = id});
        second.push({.kind = core::CommandKind::hold, .origin = core::Origin::remote, .id = 10 + id});
    }
    const auto answered = [&](core::Instant now) {
        guard.cycle(now);
        std::vector<std::uint32_t> ids;
        for (; outlet.events.front() != nullptr; outlet.events.pop())
            if (outlet.events.front()->kind == core::EventKind::held) ids.push_back(outlet.events.front()->command_id);
        return ids;
    };
    const std::vector<std::uint32_t> now = answered(core::Instant{1s});
    REQUIRE(now.size() == 16);
    for (std::uint32_t id = 0; id < 16; ++id) CHECK(now[id] == id);
    CHECK(answered(core::Instant{1s + period}) == std::vector<std::uint32_t>{16, 17, 18, 19});
}

TEST_CASE("a reader is woken by events, and not by values") {
    Bench bench;
    Wake reader;
    bench.outlet.reader = &reader;
    const auto woken = [&] {
        const core::Instant begun = monotonic_now();
        reader.wait(begun + 2s);
        return monotonic_now() - begun < 1s;
    };
    bench.begin();
    bench.until_permit();
    CHECK(woken());
    bench.step();
    reader.wait(monotonic_now() + 1ms);
    bench.step();
    CHECK_FALSE(woken());
    bench.commands.push({.kind = core::CommandKind::hold, .origin = core::Origin::local, .id = 1});
    bench.step();
    CHECK(woken());
}

TEST_CASE("between events a reader gets a snapshot at its own pace, and at once what changed") {
    Bench bench;
    bench.outlet.pace = 10s;
    bench.begin();
    bench.until_permit();
    bench.events();
    REQUIRE(bench.outlet.snapshot.take());
    const core::Instant due = bench.now + 10s;
    for (int round = 0; round < 2; ++round) {
        const core::Instant next = due + round * 10s;
        while (bench.now + period < next) {
            bench.step();
            CHECK_FALSE(bench.outlet.snapshot.take());
        }
        bench.step(next - bench.now);
        CHECK(bench.outlet.snapshot.take());
    }
    REQUIRE(bench.events().empty());
    // A trip, with a kernel that doesn't take the inhibit; then it does, without an event in that step.
    bench.pad->refuses_inhibit = true;
    bench.heatsink_c = 90.0;
    bench.step();
    bench.step();
    CHECK(bench.snapshot().permit);
    for (int i = 0; i < 30; ++i) bench.step();
    bench.events();
    bench.outlet.snapshot.take();
    bench.pad->refuses_inhibit = false;
    bench.step(1ms);
    CHECK(bench.events().empty());
    CHECK(bench.outlet.snapshot.take());
    CHECK_FALSE(bench.outlet.snapshot.value().permit);
}

TEST_CASE("a stop's own cycle: all lines at inhibit, told, and one failure counted where the pad says otherwise") {
    Bench bench;
    bench.dynamic_permit = std::make_shared<Pad>();
    bench.begin();
    bench.until_permit();
    while (!bench.dynamic_permit->permit) bench.step();
    REQUIRE(bench.guard.permits());
    bench.guard.ask_to_inhibit();
    bench.pad->stuck_at = true;
    CHECK_FALSE(bench.guard.stop_cycle(bench.now));
    CHECK(bench.guard.failed_writes() == 1);
    CHECK_FALSE(bench.guard.has_inhibited());
    CHECK_FALSE(bench.guard.permits());
    CHECK_FALSE(bench.dynamic_permit->permit);
    CHECK_FALSE(bench.snapshot().permit);
    bench.pad->stuck_at.reset();
    CHECK(bench.guard.stop_cycle(bench.now));
    CHECK(bench.guard.failed_writes() == 1);
    CHECK(bench.guard.has_inhibited());
    // The dynamic permit rests, and is not written again.
    const std::size_t writes = bench.dynamic_permit->writes.size();
    bench.guard.inhibit_now();
    CHECK(bench.dynamic_permit->writes.size() == writes);
}

TEST_CASE("a stop, and the end, don't wait for the period") {
    core::Duration stopped = 1h, left = 1h;  // the quickest of several: a busy machine makes some of them slow
    for (int i = 0; i < 5; ++i) {
        Bench bench{false, 20s};
        std::thread thread{
            [&] { bench.guard.run([&] { return line_alone(bench.pad); }, [](const drivers::LineError&) {}); }};
        const core::Instant cap = monotonic_now() + 30s;
        bench.guard.begin(std::make_unique<core::Protection>(bench.plan, core::Memory{}, false));
        while (bench.guard.cycles() == 0 && monotonic_now() < cap) std::this_thread::sleep_for(1ms);
        std::this_thread::sleep_for(20ms);  // until it waits; where it doesn't yet, less is asked of it
        const core::Instant asked = monotonic_now();
        bench.guard.ask_to_inhibit();
        while (!bench.guard.has_inhibited() && monotonic_now() < cap) std::this_thread::sleep_for(1ms);
        stopped = std::min<core::Duration>(stopped, monotonic_now() - asked);
        std::this_thread::sleep_for(20ms);
        const core::Instant told = monotonic_now();
        bench.guard.leave();
        thread.join();
        left = std::min<core::Duration>(left, monotonic_now() - told);
    }
    CHECK(stopped < 700ms);  // the line itself is looked at once a second
    CHECK(left < 700ms);
}

TEST_CASE("a line that was not to be had is tried again after a quarter of a second, then half of one") {
    Bench bench;
    std::vector<core::Instant> tries;
    std::thread thread{[&] {
        bench.guard.run(
            [&] {
                tries.push_back(monotonic_now());
                if (tries.size() < 3) throw drivers::LineError{"held by another program"};
                return line_alone(bench.pad);
            },
            [](const drivers::LineError&) {});
    }};
    const core::Instant cap = monotonic_now() + 30s;
    while (!bench.guard.armed() && monotonic_now() < cap) std::this_thread::sleep_for(1ms);
    bench.guard.leave();
    thread.join();
    REQUIRE(tries.size() == 3);
    CHECK(tries[1] - tries[0] >= 250ms);
    CHECK(tries[2] - tries[1] >= 500ms);
    CHECK(tries[2] - tries[0] < 8s);
}

TEST_CASE("told to stop, or to leave, before the line was had: no further try, and inhibited is what it may say") {
    for (const bool stop : {true, false}) {
        CAPTURE(stop);
        Bench bench;
        std::atomic<int> tries = 0;
        std::thread thread{[&] {
            bench.guard.run(
                [&]() -> Guard::Lines {
                    ++tries;
                    throw drivers::LineError{"held by another program"};
                },
                [](const drivers::LineError&) {});
        }};
        while (tries == 0) std::this_thread::sleep_for(1ms);
        if (stop)
            bench.guard.ask_to_inhibit();
        else
            bench.guard.leave();
        thread.join();
        CHECK(bench.guard.has_inhibited());
        CHECK_FALSE(bench.guard.armed());
        CHECK(tries < 4);
    }
}

TEST_CASE("a stop inhibits the line, the contactor and the dynamic permit, and says what it did") {
    Bench bench{true};
    bench.dynamic_permit = std::make_shared<Pad>();
    std::thread thread{[&] {
        bench.guard.run(
            [&] {
                return Guard::Lines{.line = std::make_unique<FakeLine>(bench.pad),
                                    .contactor = std::make_unique<FakeLine>(bench.contactor),
                                    .dynamic_permit = std::make_unique<FakeLine>(bench.dynamic_permit)};
            },
            [](const drivers::LineError&) {});
    }};
    const core::Instant cap = monotonic_now() + 30s;
    while (!bench.guard.armed() && monotonic_now() < cap) std::this_thread::sleep_for(1ms);
    bench.guard.ask_to_inhibit();
    while (!bench.guard.has_inhibited() && monotonic_now() < cap) std::this_thread::sleep_for(1ms);
    bench.guard.leave();
    thread.join();
    CHECK(bench.guard.stopping());
    CHECK(bench.guard.has_inhibited());
    CHECK(bench.guard.failed_writes() == 0);
    CHECK(bench.pad->writes == std::vector<bool>{false, false});
    CHECK(bench.contactor->writes == std::vector<bool>{false, false});
    CHECK(bench.dynamic_permit->writes.empty());
    CHECK_FALSE(bench.guard.permits());
}

TEST_CASE("the last resort opens the contactor, too, and is the owner's alone") {
    Bench bench{true};
    bench.begin();
    bench.until_permit();
    CHECK_FALSE(bench.guard.is_mine());
    CHECK_FALSE(bench.guard.has_inhibited());
    bench.guard.inhibit_now();
    CHECK(bench.guard.has_inhibited());
    CHECK_FALSE(bench.pad->permit);
    CHECK_FALSE(bench.contactor->permit);
}

TEST_CASE("a guard that waits takes no processor: before its first decision, and after its last") {
    Bench bench;
    std::thread thread{
        [&] { bench.guard.run([&] { return line_alone(bench.pad); }, [](const drivers::LineError&) {}); }};
    clockid_t clock{};
    REQUIRE(::pthread_getcpuclockid(thread.native_handle(), &clock) == 0);
    const auto busy = [&] {
        const auto used = [&] {
            timespec now{};
            ::clock_gettime(clock, &now);
            return std::chrono::seconds{now.tv_sec} + std::chrono::nanoseconds{now.tv_nsec};
        };
        const auto before = used();
        const core::Instant end = monotonic_now() + 1s;
        while (monotonic_now() < end && used() - before < 100ms) std::this_thread::sleep_for(10ms);
        return used() - before >= 100ms;
    };
    const core::Instant cap = monotonic_now() + 30s;
    while (!bench.guard.armed() && monotonic_now() < cap) std::this_thread::sleep_for(1ms);
    CHECK_FALSE(busy());
    bench.guard.ask_to_inhibit();
    while (!bench.guard.has_inhibited() && monotonic_now() < cap) std::this_thread::sleep_for(1ms);
    CHECK_FALSE(busy());
    bench.guard.leave();
    thread.join();
}
