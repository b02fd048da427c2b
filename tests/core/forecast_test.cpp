#include "measure/forecast.hpp"

#include <doctest/doctest.h>

#include <cmath>

#include "core/timeline.hpp"

using namespace timeline;

namespace {

// A heatsink of 0.4 K/W and 500 J/K (tau 200 s) on 22 degC, told once a second.
struct Heatsink {
    Plan the_plan;
    Forecaster forecaster{the_plan};
    Instant now{1000s};
    double air_c = 22.0, air_k_per_s = 0.0;
    double temperature_c = 22.0, heat_w = 0.0, forward_w = 0.0, compression_db = 0.0;
    bool ambient_measured = true, commissioning = false;
    std::optional<Instant> transmitting;

    explicit Heatsink(Plan p) : the_plan{std::move(p)} {}
    Reading good(double v) const {
        return {.value = v, .low = v, .high = v, .health = Health::good, .fault = Fault::none, .taken = now};
    }
    void second() {
        air_c += air_k_per_s;
        const double settling = air_c + 0.4 * heat_w;
        temperature_c = settling + (temperature_c - settling) * std::exp(-1.0 / 200.0);
        now += 1s;
        const Reading heatsink_r = good(temperature_c), ambient = good(air_c), heat_r = good(heat_w),
                      dc = good(heat_w + forward_w), fwd = good(forward_w), comp = good(compression_db);
        forecaster.update({.now = now,
                           .heatsink = &heatsink_r,
                           .ambient = ambient_measured ? &ambient : nullptr,
                           .heat = &heat_r,
                           .dc_power = &dc,
                           .forward = &fwd,
                           .compression = &comp,
                           .transmitting_since = transmitting,
                           .moment = {.commissioning = commissioning}});
    }
    void run(int seconds) {
        for (int i = 0; i < seconds; ++i) second();
    }
};

Plan with_heatsink() {
    Plan p = plan();
    p.roles.supply = supply;
    return p;
}

}  // namespace

TEST_CASE("silent until it knows, then right within 2 degC after one time constant") {
    Heatsink h{with_heatsink()};
    h.second();
    CHECK(h.forecaster.forecast().settling_temperature.health == Health::not_measurable);
    h.heat_w = 100.0;
    h.forward_w = 100.0;
    h.run(200);
    const Forecast& f = h.forecaster.forecast();
    REQUIRE(f.settling_temperature.health == Health::good);
    CHECK(f.settling_temperature.value == doctest::Approx(62.0).epsilon(0.03));
    CHECK(f.settling_temperature.low <= 62.0);
    CHECK(f.settling_temperature.high >= 62.0);
    CHECK(h.forecaster.ambient_basis() == AmbientBasis::measured);
    CHECK(f.time_to_limit.value == unbounded);  // 62 never reaches 70
}

TEST_CASE("only limits that stand are forecast: the provisional ones while commissioning, the others always") {
    Plan p = with_heatsink();
    p.limits.push_back(limit("commissioning-heatsink", heatsink, 50.0, 45.0, 0s, 1s, Rearm::latched));
    p.limits.back().provisional = true;
    p.limits.push_back(limit("commissioning-forward", forward, 40.0, 0.0, 0s, 1s, Rearm::latched));
    p.limits.back().provisional = true;
    p.limits.back().warn = 30.0;
    for (const bool commissioning : {false, true}) {
        CAPTURE(commissioning);
        Heatsink h{p};
        h.commissioning = commissioning;
        h.heat_w = 100.0;
        h.forward_w = 35.0;
        h.run(150);
        // 62 - 40 exp(-t/200) is 50 at 240.8 s (computed), and never 70; 150 s have passed.
        const Reading& left = h.forecaster.forecast().time_to_limit;
        REQUIRE(left.health == Health::good);
        CHECK(left.value == doctest::Approx(commissioning ? 90.8 : unbounded).epsilon(0.05));
        // Settling 12 K above the provisional trip asks for less power; nothing does in service.
        CHECK((h.forecaster.forecast().back_off.value > 0.0) == commissioning);
    }
}

TEST_CASE("air that grows warmer counts to the planned end, and for four hours without one") {
    for (const bool planned : {true, false}) {
        CAPTURE(planned);
        Plan p = with_heatsink();
        if (planned) p.heat.planned_transmission = 2h;
        Heatsink h{p};
        h.air_k_per_s = 3.0 / 3600.0;
        h.run(1500);  // 23.25 degC
        CHECK(h.forecaster.forecast().ambient_trend.value == doctest::Approx(3.0).epsilon(0.01));
        h.heat_w = 100.0;
        h.transmitting = h.now;
        h.run(1800);
        const Forecast& f = h.forecaster.forecast();
        REQUIRE(f.settling_temperature.health == Health::good);
        const double settling_c = f.settling_temperature.value;
        CHECK(settling_c == doctest::Approx(24.75 + 40.0).epsilon(0.01));
        // After 1.5 h more: 24.75 + 4.5 degC of air, and the heatsink lags by 200 s, that is 0.17 K. By hand.
        CHECK(f.forecast_temperature.value == doctest::Approx(planned ? 69.1 : 76.75).epsilon(0.005));
        // 70 degC: the 5.25 K of air and the lag after 6500 s. By hand.
        CHECK(f.time_to_limit.value == doctest::Approx(6500.0).epsilon(0.05));
        CHECK(f.time_to_limit.low <= 6500.0);
    }
}

TEST_CASE("time to limit and the temperature at the planned end") {
    Plan p = with_heatsink();
    p.heat.planned_transmission = 300s;
    Heatsink h{p};
    h.heat_w = 200.0;  // would settle at 102 degC
    h.forward_w = 100.0;
    h.transmitting = h.now;
    h.run(100);
    const Forecast& f = h.forecaster.forecast();
    REQUIRE(f.time_to_limit.health == Health::good);
    // 102 - 80 exp(-t/200) = 70 at t = 183.3 s (computed): 83.3 s from now.
    CHECK(f.time_to_limit.value == doctest::Approx(83.3).epsilon(0.05));
    // At 300 s: 102 - 80 exp(-1.5) = 84.1 degC (computed).
    CHECK(f.forecast_temperature.value == doctest::Approx(84.1).epsilon(0.02));
    CHECK(f.back_off.value > 0.0);  // the heatsink's warning at 65 degC asks for it
}

TEST_CASE("the back-off advised keeps the forward power's warning, and is silent without RF") {
    Plan p = with_heatsink();
    p.limits[hot].warn.reset();
    p.limits[forward_high].warn = 100.0;
    Heatsink h{p};
    h.run(2);
    CHECK(h.forecaster.forecast().back_off.health == Health::not_measurable);
    h.forward_w = 110.0;
    h.run(2);
    CHECK(h.forecaster.forecast().back_off.value == doctest::Approx(0.5));  // 0.41 dB, in steps of 0.1
    h.forward_w = 90.0;
    h.run(2);
    CHECK(h.forecaster.forecast().back_off.value == 0.0);
}

TEST_CASE("a trip without a warning bounds the advice as a warning would") {
    Plan p = with_heatsink();
    p.limits[hot].warn.reset();
    p.limits[forward_high].trip = 100.0;
    Heatsink h{p};
    h.forward_w = 110.0;
    h.run(2);
    CHECK(h.forecaster.forecast().back_off.value == doctest::Approx(0.5));  // 0.41 dB, in steps of 0.1
}

TEST_CASE("the circulator's load carries the mean reflected power over its thermal time") {
    Plan p = with_heatsink();
    p.rf.circulator_load_time = 10s;
    Forecaster f{p};
    Instant now{1s};
    Reading reflected{.value = 20.0, .low = 20.0, .high = 20.0, .health = Health::good, .fault = Fault::none};
    for (int i = 0; i < 10; ++i) {
        now += 1s;
        ForecastInput input;
        input.now = now;
        input.reflected = &reflected;
        f.update(input);
    }
    // 63.2 % after one time constant; the first call only starts the clock.
    CHECK(f.forecast().circulator_load.value == doctest::Approx(20.0 * (1.0 - std::exp(-0.9))).epsilon(0.05));
}

TEST_CASE("without a reflected reading the circulator's load is unknown, beyond its range it is at least so much") {
    Plan p = with_heatsink();
    p.rf.circulator_load_time = 10s;
    Forecaster f{p};
    Instant now{1s};
    Reading reflected{
        .value = 30.0, .low = 30.0, .high = unbounded, .health = Health::above_range, .fault = Fault::none};
    const auto second = [&] {
        now += 1s;
        ForecastInput input;
        input.now = now;
        input.reflected = &reflected;
        f.update(input);
        return f.forecast().circulator_load;
    };
    for (int i = 0; i < 40; ++i) second();
    CHECK(second().health == Health::above_range);
    CHECK(second().value > 28.0);
    reflected = {.fault = Fault::absent};
    CHECK(second().health == Health::unknown);
    CHECK(second().fault == Fault::absent);
    reflected = {.value = 0.01, .health = Health::at_floor, .fault = Fault::none};
    const double before = second().value;
    CHECK(second().value < before);
}
