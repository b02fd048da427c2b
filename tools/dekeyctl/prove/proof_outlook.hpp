// Before and during a proof test: how long it takes, and what stands in its way.
#pragma once

#include <cstddef>
#include <string>
#include <vector>

#include "dekeyctl/status.hpp"

namespace dekeyd::ctl {

struct ProofOutlook {
    std::size_t limits = 0;  ///< that are forced
    double seconds = 0.0;    ///< the line, and each limit's reaction and hold-off
};
/// Of all limits, the provisional ones too, which `Status` leaves out while they rest.
ProofOutlook proof_outlook(const std::vector<Limit>& limits);
/// Of one limit: until the next may be forced.
double proof_seconds(const Limit& limit);

/// Every cause that stands, beside the hold: "Heatsink: sensor absent; Supply too low: …"; empty: none.
std::string what_else_stands(const Status& status);

}  // namespace dekeyd::ctl
