// One pass over a bus on its way from a sampler to the guard.
#pragma once

#include <vector>

#include "base/handover.hpp"
#include "plan/scan.hpp"
#include "plan/time.hpp"

namespace dekeyd {

struct ScanBuffer {
    core::Instant finished{};
    std::vector<core::Sample> samples;  ///< one per slot
};

/// Half a second of a 128 Hz bus: more than a guard that lives can fall behind.
inline constexpr std::size_t scan_places = 64;

using ScanRing = Ring<ScanBuffer>;

}  // namespace dekeyd
