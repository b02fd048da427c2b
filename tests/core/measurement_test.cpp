// Scans to quantities: what is news, which detectors say something together, what ages, what a sleep forgets.
#include "measure/measurement.hpp"

#include <doctest/doctest.h>

#include <array>
#include <chrono>

#include "sample_plan.hpp"

using namespace dekeyd::core;
using namespace std::chrono_literals;

namespace {

// sample_plan: 0 heatsink, 1 forward, 2 reflected, 3 forward again; its detectors give a volt for a watt.
constexpr std::uint16_t heatsink = 0, forward = 1, reflected = 2;

Instant at(Duration time) {
    return Instant{time};
}

Sample of(double value, Instant when) {
    return {.value = value, .begun = when, .fault = Fault::none};
}

struct Station {
    Plan plan = dekeyd::test::sample_plan();
    Measurement measurement{plan};

    void scan(Duration time, double first_w, double reflected_w, double again_w, Fault of_heatsink = Fault::none) {
        const Instant now = at(time);
        Sample warm = of(40.0, now);
        warm.fault = of_heatsink;
        const std::array samples{warm, of(first_w, now), of(reflected_w, now), of(again_w, now)};
        measurement.absorb({.sampler = 0, .samples = samples}, now, false);
    }
    [[nodiscard]] const Reading& vswr() const { return measurement.quantities()[plan.index(Derived::vswr)]; }
};

}  // namespace

TEST_CASE("a whole scan is news of its sensors and of what they say together, until it is judged") {
    Station station;
    CHECK_FALSE(station.measurement.has_news(heatsink));
    station.scan(100ms, 100.0, 4.0, 100.0);
    CHECK(station.measurement.has_news(heatsink));
    CHECK(station.measurement.has_news(forward));
    CHECK(station.measurement.has_news(station.plan.index(Derived::vswr)));
    CHECK(station.measurement.quantities()[heatsink].value == 40.0);
    // |Gamma| = sqrt(4 / 100) = 0.2; (1 + 0.2) / (1 - 0.2) = 1.5
    CHECK(station.vswr().value == doctest::Approx(1.5));
    station.measurement.no_news();
    CHECK_FALSE(station.measurement.has_news(heatsink));
    CHECK(station.vswr().value == doctest::Approx(1.5));
}

TEST_CASE("forward is the larger of its two readings") {
    Station station;
    station.scan(100ms, 80.0, 1.0, 100.0);
    CHECK(station.measurement.quantities()[forward].value == doctest::Approx(100.0));
    station.scan(200ms, 90.0, 1.0, 70.0);
    CHECK(station.measurement.quantities()[forward].value == doctest::Approx(90.0));
}

TEST_CASE("a scan with one good forward reading counts with that in the mean") {
    Station station;
    const Instant now = at(100ms);
    Sample broken = of(100.0, now);
    broken.fault = Fault::io_error;
    const std::array samples{of(40.0, now), of(100.0, now), of(1.0, now), broken};
    station.measurement.absorb({.sampler = 0, .samples = samples}, now, false);
    station.measurement.show();
    const Reading& mean = station.measurement.quantities()[station.plan.index(Derived::mean_forward)];
    CHECK(mean.value == doctest::Approx(100.0));
}

TEST_CASE("a forecast that isn't due is none") {
    Station station;
    station.scan(100ms, 100.0, 4.0, 100.0);
    const Moment moment{};
    const bool first = station.measurement.forecast(at(10s), at(0s), moment);
    CHECK(first);
    CHECK_FALSE(station.measurement.forecast(at(10s) + 1ms, at(0s), moment));
}

TEST_CASE("a key edge within a scan says nothing of the match") {
    Station station;
    station.scan(100ms, 100.0, 4.0, 100.0);
    station.measurement.no_news();
    station.scan(200ms, 100.0, 90.0, 49.9);  // beyond a factor of two
    REQUIRE(station.measurement.bracket());
    CHECK(station.measurement.bracket()->state == BracketState::edge);
    CHECK_FALSE(station.measurement.has_news(station.plan.index(Derived::vswr)));
    CHECK(station.vswr().value == doctest::Approx(1.5));
    station.scan(300ms, 100.0, 90.0, 50.01);
    CHECK(station.measurement.bracket()->state == BracketState::measurable);
    CHECK(station.measurement.has_news(station.plan.index(Derived::vswr)));
}

TEST_CASE("a scan of another sampler brings no look at the match") {
    Station station;
    station.scan(100ms, 100.0, 4.0, 100.0);
    REQUIRE(station.measurement.bracket());
    station.measurement.absorb({.sampler = 1, .samples = {}}, at(200ms), false);
    CHECK_FALSE(station.measurement.bracket());
}

TEST_CASE("what no scan renews becomes unknown, the match with its forward reading") {
    Station station;
    station.scan(100ms, 100.0, 4.0, 100.0);
    station.measurement.grow_old(at(5100ms));  // allowed: 5 s
    CHECK(station.measurement.quantities()[heatsink].health == Health::good);
    CHECK(station.vswr().health == Health::good);
    station.measurement.grow_old(at(5100ms + 1ns));
    CHECK(station.measurement.quantities()[heatsink].health == Health::unknown);
    CHECK(station.measurement.quantities()[heatsink].fault == Fault::stale);
    CHECK(station.vswr().health == Health::unknown);
}

TEST_CASE("each sample is counted once, a fault by its name") {
    Station station;
    station.scan(100ms, 100.0, 4.0, 100.0, Fault::bad_crc);
    CHECK(station.measurement.counts()[heatsink].faults_idle == 1);
    CHECK(station.measurement.counts()[heatsink].last_fault == Fault::bad_crc);
    CHECK(station.measurement.counts()[heatsink].good_idle == 0);
    CHECK(station.measurement.counts()[forward].good_idle == 2);  // it is read twice
    CHECK(station.measurement.counts()[reflected].good_idle == 1);
}

TEST_CASE("a sleep forgets the readings, and what was begun before it") {
    Station station;
    station.scan(100ms, 100.0, 4.0, 100.0);
    station.measurement.wake(at(200ms));
    station.measurement.forget_readings();
    CHECK(station.measurement.quantities()[heatsink].fault == Fault::stale);
    CHECK(station.vswr().health == Health::unknown);
    station.measurement.no_news();
    station.scan(200ms, 100.0, 4.0, 100.0);  // begun at the very moment
    CHECK_FALSE(station.measurement.has_news(heatsink));
    station.scan(201ms, 100.0, 4.0, 100.0);
    CHECK(station.measurement.has_news(heatsink));
    CHECK(station.measurement.quantities()[heatsink].health == Health::good);
}

TEST_CASE("RF and drive are absent only where their detectors say so") {
    Station station;
    CHECK_FALSE(station.measurement.rf_absent());
    CHECK(station.measurement.drive_absent());  // not measured in this plan
    station.scan(100ms, 0.5, 0.001, 0.5);
    CHECK(station.measurement.rf_absent());
    station.scan(200ms, 0.5, 50.0, 0.5);  // swapped cables
    CHECK_FALSE(station.measurement.rf_absent());
}

TEST_CASE("a derived quantity is known where the plan has what it is worked out from") {
    const Station station;
    CHECK(station.measurement.known(Derived::vswr) == &station.vswr());
    CHECK(station.measurement.known(Derived::dc_power) == nullptr);  // no current
}

// The temperature comes after reflected in the same scan: the reading was made with the one before, the ratio is not.
TEST_CASE("a ratio is corrected by the newest temperature of its scan") {
    Plan plan = dekeyd::test::sample_plan();
    plan.samplers = {5};
    plan.channels[heatsink].slot = 4;
    PowerChain& chain = *plan.channels[reflected].power;
    chain.temperature_channel = heatsink;
    chain.temperature_db_per_k = 0.1;
    chain.temperature_reference_c = 25.0;
    Measurement measurement{plan};
    const auto scan = [&](Duration time, double celsius) {
        const std::array samples{Sample{.fault = Fault::not_in_scan}, of(100.0, at(time)), of(4.0, at(time)),
                                 of(100.0, at(time)), of(celsius, at(time))};
        measurement.absorb({.sampler = 0, .samples = samples}, at(time), false);
    };
    scan(100ms, 25.0);
    scan(200ms, 35.0);
    CHECK(measurement.quantities()[reflected].value == doctest::Approx(4.0));
    CHECK(measurement.bracket()->bracket.reflected.value == doctest::Approx(4.0 * 1.2589).epsilon(1e-4));  // 1 dB more
    scan(300ms, 35.0);
    CHECK(measurement.quantities()[reflected].value == doctest::Approx(4.0 * 1.2589).epsilon(1e-4));
    CHECK(measurement.bracket()->bracket.reflected.value == measurement.quantities()[reflected].value);
}

TEST_CASE("after a sleep nothing is known of RF, whatever was known before it") {
    Station station;
    station.scan(100ms, 0.0, 0.0, 0.0);
    REQUIRE(station.measurement.rf_absent());
    station.measurement.forget_readings();
    CHECK(station.measurement.rf() == RfLook::unknown);
}
