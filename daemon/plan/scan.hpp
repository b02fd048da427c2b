// What a sampler hands to the guard: one pass over its bus, whole.
#pragma once

#include <cstdint>
#include <span>

#include "plan/reading.hpp"
#include "plan/time.hpp"

namespace dekeyd::core {

/// One conversion. `value` is in the sensor's own unit (V, degC, A, rpm, W; a contact: 1 closed, 0 open) and is
/// finite; it means something only where fault is none.
struct Sample {
    double value = 0.0;
    Instant begun{};             ///< just before the conversion was asked for
    std::uint32_t openings = 0;  ///< contacts: openings counted since start, so that a short one isn't lost
    Fault fault = Fault::not_in_scan;
};

/// All slots of one sampler, in the order in which they were read.
struct Scan {
    std::uint16_t sampler = 0;
    std::span<const Sample> samples;
};

}  // namespace dekeyd::core
