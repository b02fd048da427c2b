// Two thermal masses in a row: the device on its flange, and the heatsink in the air.
#pragma once

namespace bench {

struct HeatPath {
    double device_j_per_k = 12.0;
    double device_to_sink_k_per_w = 0.30;
    double sink_j_per_k = 1500.0;
    double sink_to_air_blown_k_per_w = 0.20;  ///< fan at full speed
    double sink_to_air_still_k_per_w = 0.80;  ///< fan stopped
};

class TwoStageHeat {
public:
    TwoStageHeat(const HeatPath& path, double ambient_c) : path_(path), device_c_(ambient_c), sink_c_(ambient_c) {}

    /// `airflow` is 0 (still) to 1 (fan at full speed). `seconds` well below the device's time constant (3.6 s).
    void advance(double seconds, double heat_w, double ambient_c, double airflow) noexcept;

    [[nodiscard]] double device_c() const noexcept { return device_c_; }
    [[nodiscard]] double sink_c() const noexcept { return sink_c_; }
    [[nodiscard]] double sink_to_air_k_per_w(double airflow) const noexcept;

private:
    HeatPath path_;
    double device_c_, sink_c_;
};

}  // namespace bench
