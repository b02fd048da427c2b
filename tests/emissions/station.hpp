// The annotated configuration's station with an envelope on its line: two log detectors with their filters, a converter
// that reads forward, reflected, drive and forward again one after another, the slower buses, and the core that judges
// them.
#pragma once

#include <array>
#include <memory>
#include <random>
#include <string>
#include <vector>

#include "configuration/configuration.hpp"
#include "core/protection.hpp"
#include "envelopes.hpp"

namespace emissions {

using namespace dekeyd;

struct Circumstances {
    double peak_w = 100.0;
    double reflection = 0.13;
    double filter_s = 0.2e-3;               ///< of the detectors' outputs, one pole
    double fast_period_s = 0.02;            ///< of the converter's bus, from scan to scan
    double over_s = 170.0, pause_s = 10.0;  ///< transmission and pause, in turn
};

class Station {
public:
    Station(const core::Plan& plan, std::unique_ptr<Envelope> envelope, const Circumstances& circumstances,
            std::uint64_t seed);

    void run_s(double seconds);
    /// From now on.
    void reflect(double reflection) { how_.reflection = reflection; }
    void reflected_detector_dies() { dead_ = true; }
    [[nodiscard]] double now_s() const { return static_cast<double>(sample_) / samples_per_s; }
    [[nodiscard]] bool permitted() { return protection_.snapshot().permit; }
    [[nodiscard]] bool sending() const { return sending_; }
    [[nodiscard]] const core::Snapshot& snapshot() { return protection_.snapshot(); }
    /// Since the last call: "vswr tripped at 12.4 s: unknown".
    std::vector<std::string> trips;
    /// Stop at the first de-key under RF.
    bool stop_at_trip = false;
    double tripped_at_s = -1.0;
    double locked_out_at_s = -1.0;

private:
    void advance();
    void begin_scan();
    void convert();
    void hand_over(core::Instant now);
    void step(core::Instant now, const std::vector<core::Scan>& scans);
    [[nodiscard]] core::Instant instant() const;

    const core::Plan& plan_;
    core::Protection protection_;
    std::unique_ptr<Envelope> envelope_;
    Circumstances how_;
    std::mt19937_64 random_;
    std::size_t sample_ = 0;
    bool sending_ = false, dead_ = false;
    std::array<double, 3> filtered_dbm_{-90.0, -90.0, -90.0};  ///< forward, reflected, drive, at the detectors
    double amplitude_ = 0.0;                                   ///< mean of the envelope's voltage, for the current
    // The scan that runs.
    std::vector<std::vector<core::Sample>> samples_;
    std::size_t scan_at_ = 0, slot_ = 0, slot_begun_ = 0;
    double sum_dbm_ = 0.0;
    std::size_t summed_ = 0;
    bool scanning_ = false;
    double heatsink_c_ = 30.0;
    core::Instant next_wake_{};
    std::array<std::size_t, 3> slow_at_{};  ///< wire, psu, fans
};

/// The annotated text, with `from` replaced where it isn't empty.
formats::Configuration annotated(const std::vector<std::array<std::string, 2>>& changes);

}  // namespace emissions
