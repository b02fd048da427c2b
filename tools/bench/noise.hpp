// Noise that depends on a seed, a stream and an index alone, so that the same seed gives the same numbers for
// each step and in each order of streams.
#pragma once

#include <cstdint>

namespace bench {

/// Uniform in (0, 1].
double uniform(std::uint64_t seed, std::uint64_t stream, std::uint64_t index) noexcept;
/// Mean 0, standard deviation 1.
double gaussian(std::uint64_t seed, std::uint64_t stream, std::uint64_t index) noexcept;

}  // namespace bench
