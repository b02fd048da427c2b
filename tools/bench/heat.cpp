#include "bench/heat.hpp"

namespace bench {

double TwoStageHeat::sink_to_air_k_per_w(double airflow) const noexcept {
    const double still = 1.0 / path_.sink_to_air_still_k_per_w;
    const double blown = 1.0 / path_.sink_to_air_blown_k_per_w;
    return 1.0 / (still + (blown - still) * airflow);  // conductances add, resistances don't
}

void TwoStageHeat::advance(double seconds, double heat_w, double ambient_c, double airflow) noexcept {
    const double to_air = sink_to_air_k_per_w(airflow);
    const auto device_slope = [&](double device, double sink) {
        return (heat_w - (device - sink) / path_.device_to_sink_k_per_w) / path_.device_j_per_k;
    };
    const auto sink_slope = [&](double device, double sink) {
        return ((device - sink) / path_.device_to_sink_k_per_w - (sink - ambient_c) / to_air) / path_.sink_j_per_k;
    };
    // Midpoint rule: the error is of third order in a step that is already thousands of times below the fastest
    // constant.
    const double device_half = device_c_ + 0.5 * seconds * device_slope(device_c_, sink_c_);
    const double sink_half = sink_c_ + 0.5 * seconds * sink_slope(device_c_, sink_c_);
    device_c_ += seconds * device_slope(device_half, sink_half);
    sink_c_ += seconds * sink_slope(device_half, sink_half);
}

}  // namespace bench
