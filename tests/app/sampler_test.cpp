#include "guard/sampler.hpp"

#include <doctest/doctest.h>

#include <thread>

#include "base/wall_clock.hpp"

using namespace dekeyd;
using namespace std::chrono_literals;

namespace {

core::Instant fake_now{};

core::Instant fake_clock() noexcept {
    return fake_now;
}

/// Gives value, value + 1, ...; each read takes `takes` of the fake clock.
struct Script {
    double value = 0.0;
    core::Fault fault = core::Fault::none;
    core::Duration takes = 1ms;
    int reads = 0;
    int refreshes = 0;
};

class FakeSensor final : public drivers::Sensor {
public:
    explicit FakeSensor(Script& script) : script_{script} {}
    core::Sample read() noexcept override {
        fake_now += script_.takes;
        return {.value = script_.value + script_.reads++, .fault = script_.fault};
    }
    void refresh() noexcept override { ++script_.refreshes; }
    [[nodiscard]] std::string where() const override { return "fake"; }

private:
    Script& script_;
};

/// A conversion for all; `takes` of the fake clock.
class FakeConversion final : public drivers::Conversion {
public:
    FakeConversion(core::Fault& fault, core::Duration takes) : fault_{fault}, takes_{takes} {}
    core::Fault convert(const std::atomic<bool>&) noexcept override {
        fake_now += takes_;
        return fault_;
    }

private:
    core::Fault& fault_;
    core::Duration takes_;
};

/// Slots: forward, reflected, forward again.
BusPlan bracket(Script& forward, Script& reflected) {
    BusPlan bus;
    bus.name = "adc";
    bus.period = 20ms;
    bus.sensors.push_back(std::make_unique<FakeSensor>(forward));
    bus.sensors.push_back(std::make_unique<FakeSensor>(reflected));
    bus.slots = {0, 1, 0};
    return bus;
}

}  // namespace

TEST_CASE("a round is one whole scan, in order, each sample stamped before its reading") {
    fake_now = core::Instant{1s};
    Script forward{.value = 100.0}, reflected{.value = 5.0};
    Wake guard;
    Sampler sampler{bracket(forward, reflected), guard, &fake_clock};
    sampler.round();
    ScanBuffer* const scan = sampler.scans().front();
    REQUIRE(scan != nullptr);
    REQUIRE(scan->samples.size() == 3);
    CHECK(scan->samples[0].value == 100.0);
    CHECK(scan->samples[1].value == 5.0);
    CHECK(scan->samples[2].value == 101.0);
    CHECK(scan->samples[0].begun == core::Instant{1s});
    CHECK(scan->samples[1].begun == core::Instant{1s + 1ms});
    CHECK(scan->samples[2].begun == core::Instant{1s + 2ms});
    CHECK(scan->finished == core::Instant{1s + 3ms});
    CHECK(sampler.last_scan() == scan->finished);
    CHECK(sampler.scans().peek(1) == nullptr);
}

TEST_CASE("a slow bus hands over each reading by itself, the other slots not in the scan") {
    fake_now = core::Instant{1s};
    Script heatsink{.value = 40.0, .takes = 750ms}, ambient{.value = 20.0, .takes = 750ms};
    BusPlan bus = bracket(heatsink, ambient);
    bus.one_at_a_time = true;
    bus.slots = {0, 1};
    Wake guard;
    Sampler sampler{std::move(bus), guard, &fake_clock};
    sampler.round();
    const ScanBuffer* const first = sampler.scans().peek(0);
    const ScanBuffer* const second = sampler.scans().peek(1);
    REQUIRE(first != nullptr);
    REQUIRE(second != nullptr);
    CHECK(first->samples[0].value == 40.0);
    CHECK(first->samples[1].fault == core::Fault::not_in_scan);
    CHECK(first->finished == core::Instant{1s + 750ms});
    CHECK(second->samples[0].fault == core::Fault::not_in_scan);
    CHECK(second->samples[1].value == 20.0);
    CHECK(second->samples[1].begun == core::Instant{1s + 750ms});
}

TEST_CASE("where all convert at once a round is one scan, and each reading is as old as the trigger") {
    fake_now = core::Instant{1s};
    core::Fault fault = core::Fault::none;
    Script heatsink{.value = 40.0, .takes = 15ms}, ambient{.value = 20.0, .takes = 15ms};
    BusPlan bus = bracket(heatsink, ambient);
    bus.slots = {0, 1};
    bus.conversion = std::make_unique<FakeConversion>(fault, 750ms);
    Wake guard;
    Sampler sampler{std::move(bus), guard, &fake_clock};
    sampler.round();
    const ScanBuffer* const scan = sampler.scans().peek(0);
    REQUIRE(scan != nullptr);
    CHECK(sampler.scans().peek(1) == nullptr);
    CHECK(scan->samples[0].value == 40.0);
    CHECK(scan->samples[1].value == 20.0);
    for (const core::Sample& sample : scan->samples) {
        CHECK(sample.fault == core::Fault::none);
        CHECK(sample.begun == core::Instant{1s});
    }
    CHECK(scan->finished == core::Instant{1s + 780ms});
    CHECK(heatsink.refreshes == 1);
    CHECK(sampler.faults() == 0);
    sampler.scans().pop();

    // One that is gone is its own fault.
    ambient.fault = core::Fault::absent;
    sampler.round();
    REQUIRE(sampler.scans().front() != nullptr);
    CHECK(sampler.scans().front()->samples[0].fault == core::Fault::none);
    CHECK(sampler.scans().front()->samples[1].fault == core::Fault::absent);
    sampler.scans().pop();

    // A conversion that failed is everyone's, and none is read the slow way.
    const int read = heatsink.reads;
    fault = core::Fault::no_permission;
    fake_now = core::Instant{5s};
    sampler.round();
    REQUIRE(sampler.scans().front() != nullptr);
    for (const core::Sample& sample : sampler.scans().front()->samples) {
        CHECK(sample.fault == core::Fault::no_permission);
        CHECK(sample.value == 0.0);
        CHECK(sample.begun == core::Instant{5s});
    }
    CHECK(sampler.scans().front()->finished == core::Instant{5s + 750ms});
    CHECK(heatsink.reads == read);
    CHECK(sampler.faults() == 3);
    const int refreshes = heatsink.refreshes;
    sampler.round();  // 750 ms later: a faulty one is sought
    CHECK(heatsink.refreshes == refreshes + 1);
}

TEST_CASE("who leaves during a conversion reads and hands over nothing more") {
    fake_now = core::Instant{1s};
    core::Fault fault = core::Fault::none;
    Script heatsink{.value = 40.0}, ambient{.value = 20.0};
    BusPlan bus = bracket(heatsink, ambient);
    bus.conversion = std::make_unique<FakeConversion>(fault, 750ms);
    Wake guard;
    Sampler sampler{std::move(bus), guard, &fake_clock};
    sampler.leave();
    sampler.round();
    CHECK(heatsink.reads == 0);
    CHECK(sampler.scans().front() == nullptr);
}

TEST_CASE("sensors are looked for at first, each second, and after a fault, yet not at each round of a fast bus") {
    fake_now = core::Instant{1s};
    Script forward, reflected;
    Wake guard;
    Sampler sampler{bracket(forward, reflected), guard, &fake_clock};
    const auto rounds_until = [&](core::Instant end) {
        while (fake_now < end) {
            sampler.round();
            fake_now += 7ms;
            while (sampler.scans().front() != nullptr) sampler.scans().pop();
        }
    };
    sampler.round();
    CHECK(forward.refreshes == 1);
    rounds_until(core::Instant{1s + 990ms});
    CHECK(forward.refreshes == 1);
    rounds_until(core::Instant{2s + 20ms});
    CHECK(forward.refreshes == 2);
    CHECK(reflected.refreshes == 2);
    reflected.fault = core::Fault::absent;
    rounds_until(core::Instant{2s + 520ms});
    CHECK(forward.refreshes == 2);
    CHECK(reflected.refreshes >= 5);  // five times a hundred milliseconds
    CHECK(reflected.refreshes <= 8);
    CHECK(sampler.faults() > 10);
}

TEST_CASE("a full queue loses scans and counts them; the sensors are read as ever") {
    Script forward, reflected;
    Wake guard;
    Sampler sampler{bracket(forward, reflected), guard, &fake_clock};
    for (std::size_t i = 0; i < scan_places + 5; ++i) sampler.round();
    CHECK(sampler.scans().refused() == 5);
    CHECK(reflected.reads == static_cast<int>(scan_places) + 5);
    REQUIRE(sampler.scans().front() != nullptr);
    CHECK(sampler.scans().front()->samples[1].value == 0.0);  // the oldest is kept
}

TEST_CASE("the thread keeps its period and wakes the guard") {
    Script forward, reflected;
    Wake guard;
    BusPlan bus = bracket(forward, reflected);
    bus.period = 2ms;
    Sampler sampler{std::move(bus), guard, &monotonic_now};
    std::thread thread{[&] { sampler.run(); }};
    const core::Instant cap = monotonic_now() + 30s;
    int scans = 0;
    core::Instant first{}, last{};
    while (scans < 20 && monotonic_now() < cap) {
        guard.wait(cap);
        while (const ScanBuffer* scan = sampler.scans().front()) {
            if (scans++ == 0) first = scan->finished;
            last = scan->finished;
            sampler.scans().pop();
        }
    }
    sampler.leave();
    thread.join();
    CHECK(scans >= 20);
    // Not faster than its period on the whole; how much slower is the machine's affair.
    CHECK(last - first >= (scans - 2) * core::Duration{2ms});
}
