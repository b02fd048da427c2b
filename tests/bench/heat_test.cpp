#include "bench/heat.hpp"

#include <doctest/doctest.h>

#include <cmath>

using namespace bench;
using doctest::Approx;

namespace {

void settle(TwoStageHeat& heat, double seconds, double heat_w, double ambient_c, double airflow) {
    for (int i = 0; i < static_cast<int>(seconds * 10.0 + 0.5); ++i) heat.advance(0.1, heat_w, ambient_c, airflow);
}

}  // namespace

TEST_CASE("steady state is ambient + P R") {
    TwoStageHeat heat({}, 25.0);
    settle(heat, 6000.0, 100.0, 25.0, 1.0);  // 20 time constants
    CHECK(heat.sink_c() == Approx(25.0 + 100.0 * 0.20).epsilon(1e-6));
    CHECK(heat.device_c() == Approx(25.0 + 100.0 * (0.20 + 0.30)).epsilon(1e-6));
}

TEST_CASE("a published chain of resistances: 5 W through 4 and 8 K/W from 25 degC gives 65 and 85 degC") {
    // A heatsink maker's worked example: junction 85 degC with 3 + 1 + 8 K/W; the sink itself is at 65.
    HeatPath path;
    path.device_to_sink_k_per_w = 4.0;
    path.sink_to_air_blown_k_per_w = 8.0;
    path.sink_j_per_k = 10.0;
    path.device_j_per_k = 1.0;
    TwoStageHeat heat(path, 25.0);
    settle(heat, 3000.0, 5.0, 25.0, 1.0);
    CHECK(heat.sink_c() == Approx(65.0).epsilon(1e-6));
    CHECK(heat.device_c() == Approx(85.0).epsilon(1e-6));
}

TEST_CASE("63.2 % of the rise at one time constant, 95 % at three") {
    HeatPath path;
    path.device_j_per_k = 1.0;  // so small that the sink alone counts
    TwoStageHeat heat(path, 20.0);
    settle(heat, 300.0, 100.0, 20.0, 1.0);  // 0.2 K/W times 1500 J/K
    CHECK((heat.sink_c() - 20.0) / 20.0 == Approx(0.632).epsilon(0.002));
    settle(heat, 600.0, 100.0, 20.0, 1.0);
    CHECK((heat.sink_c() - 20.0) / 20.0 == Approx(0.950).epsilon(0.002));
}

TEST_CASE("two stages against the exact solution of the pair of equations") {
    // Eigenvalues of the 2 by 2 system and its step response, computed here in closed form.
    const HeatPath path;
    const double g = 1.0 / path.device_to_sink_k_per_w;
    const double a = 1.0 / path.sink_to_air_blown_k_per_w;
    const double cd = path.device_j_per_k;
    const double cs = path.sink_j_per_k;
    const double trace = -(g / cd + (g + a) / cs);
    const double product = g * a / (cd * cs);
    const double root = std::sqrt(trace * trace / 4.0 - product);
    const double slow = trace / 2.0 + root;
    const double fast = trace / 2.0 - root;
    const double p = 80.0;
    // The sink's rise: y = P/a + A e^(slow t) + B e^(fast t), with y(0) = 0 and y'(0) = 0.
    const double b = -(p / a) * slow / (slow - fast);
    const double c = -(p / a) - b;
    TwoStageHeat heat(path, 0.0);
    for (int second = 1; second <= 40; ++second) {
        settle(heat, 1.0, p, 0.0, 1.0);
        CHECK(heat.sink_c() == Approx(p / a + c * std::exp(slow * second) + b * std::exp(fast * second)).epsilon(1e-4));
    }
}

TEST_CASE("airflow: conductances add") {
    const TwoStageHeat heat({}, 20.0);
    CHECK(heat.sink_to_air_k_per_w(1.0) == Approx(0.20));
    CHECK(heat.sink_to_air_k_per_w(0.0) == Approx(0.80));
    CHECK(heat.sink_to_air_k_per_w(0.5) == Approx(0.32));  // computed: 1 / (1.25 + 0.5 * 3.75)
}
