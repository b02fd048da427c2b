#include "bench/noise.hpp"

#include <cmath>
#include <numbers>

namespace bench {
namespace {

// The finaliser of the "splitmix" generator: neighbouring inputs give unrelated outputs.
std::uint64_t mix(std::uint64_t x) noexcept {
    x += 0x9e3779b97f4a7c15U;
    x = (x ^ (x >> 30U)) * 0xbf58476d1ce4e5b9U;
    x = (x ^ (x >> 27U)) * 0x94d049bb133111ebU;
    return x ^ (x >> 31U);
}

}  // namespace

double uniform(std::uint64_t seed, std::uint64_t stream, std::uint64_t index) noexcept {
    const std::uint64_t bits = mix(mix(mix(seed) ^ stream) ^ index);
    return (static_cast<double>(bits >> 11U) + 1.0) * 0x1.0p-53;
}

double gaussian(std::uint64_t seed, std::uint64_t stream, std::uint64_t index) noexcept {
    const double radius = std::sqrt(-2.0 * std::log(uniform(seed, stream, 2 * index)));
    return radius * std::cos(2.0 * std::numbers::pi * uniform(seed, stream, 2 * index + 1));
}

}  // namespace bench
