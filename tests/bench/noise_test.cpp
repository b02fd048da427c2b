#include "bench/noise.hpp"

#include <doctest/doctest.h>

#include <cmath>

TEST_CASE("noise has mean 0 and deviation 1, and depends on seed, stream and index alone") {
    const int count = 20000;
    double sum = 0.0;
    double squares = 0.0;
    for (int i = 0; i < count; ++i) {
        const double value = bench::gaussian(7, 1, static_cast<std::uint64_t>(i));
        sum += value;
        squares += value * value;
    }
    // Standard error of a mean of 20000: 0.007; of the deviation: 0.005 (computed). Five of each.
    CHECK(std::fabs(sum / count) < 0.036);
    CHECK(std::fabs(std::sqrt(squares / count) - 1.0) < 0.025);
    CHECK(bench::gaussian(7, 1, 3) == bench::gaussian(7, 1, 3));
    CHECK(bench::gaussian(7, 1, 3) != bench::gaussian(8, 1, 3));
    CHECK(bench::gaussian(7, 1, 3) != bench::gaussian(7, 2, 3));
    CHECK(bench::gaussian(7, 1, 3) != bench::gaussian(7, 1, 4));
}

TEST_CASE("neighbouring seeds, streams and indices are not alike") {
    const int count = 20000;
    double seeds = 0.0;
    double streams = 0.0;
    double indices = 0.0;
    for (std::uint64_t i = 0; i < count; ++i) {
        const double value = bench::gaussian(1, 0, i);
        seeds += value * bench::gaussian(2, 0, i);
        streams += value * bench::gaussian(1, 1, i);
        indices += value * bench::gaussian(1, 0, i + 1);
    }
    CHECK(std::fabs(seeds / count) < 0.036);
    CHECK(std::fabs(streams / count) < 0.036);
    CHECK(std::fabs(indices / count) < 0.036);
}
