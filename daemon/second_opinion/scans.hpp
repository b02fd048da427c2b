// How scans reach the second opinion: as numbers, without what the drivers or core think of them.
#pragma once

#include <limits>

#include "plan/scan.hpp"
#include "second_opinion/monitor.hpp"

namespace dekeyd::second_opinion {

inline Raw raw_of(const core::Sample& sample) noexcept {
    constexpr double end = std::numeric_limits<double>::infinity();
    const Time begun = sample.begun.time_since_epoch();
    switch (sample.fault) {
        case core::Fault::none: return {sample.value, begun};
        case core::Fault::saturated_low: return {-end, begun};
        case core::Fault::saturated_high: return {end, begun};
        default: return {std::numeric_limits<double>::quiet_NaN(), begun};
    }
}

inline void show(Monitor& monitor, const core::Scan& scan, core::Instant now) noexcept {
    const auto at = [&scan](std::size_t slot) noexcept { return raw_of(scan.samples[slot]); };
    monitor.look(scan.sampler, scan.samples.size(), at, now.time_since_epoch());
}

}  // namespace dekeyd::second_opinion
