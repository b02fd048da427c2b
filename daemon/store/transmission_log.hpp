// One transmission in figures: gathered step by step, written as one row.
#pragma once

#include <nlohmann/json_fwd.hpp>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "core/protection.hpp"

namespace dekeyd::formats {

/// From the first RF to the last. Empty where the quantity was never measured.
struct Transmission {
    std::string start_utc;  ///< ISO 8601
    bool synchronised = false;
    double length_s = 0.0;
    std::optional<double> mean_forward_w, peak_forward_w;
    std::optional<double> worst_vswr;
    std::optional<double> hottest_c;
    double energy_wh = 0.0;  ///< of forward power
    std::optional<double> efficiency_percent;
    std::string ended;  ///< "unkeyed", "tripped: <cause>", "held", "stopped"
};

/// Follows the steps. One that begins with RF present counts from there.
class TransmissionMeter {
public:
    explicit TransmissionMeter(const core::Plan& plan) : plan_{plan} {}

    /// After each step. A transmission, when one has just ended (its start's stamp is left to the caller).
    std::optional<Transmission> follow(const core::Snapshot& after, std::span<const core::Event> events);
    /// When the one being followed began; empty when there is none.
    [[nodiscard]] std::optional<core::Instant> began() const noexcept { return began_; }
    /// Ends the one being followed, if any, because the daemon stops.
    std::optional<Transmission> stop();

private:
    void measure(const core::Snapshot& after, double dt_s);
    Transmission finish();

    const core::Plan& plan_;
    std::optional<core::Instant> began_;
    core::Instant last_{};
    core::Instant last_rf_{};
    bool followed_ = false;
    Transmission now_;
    double forward_s_ = 0.0, energy_ws_ = 0.0, dc_ws_ = 0.0, rf_ws_ = 0.0;
};

/// Column names and a row of the log: no line break, no checksum.
std::string_view transmission_columns();
std::string to_row(const Transmission& transmission);
std::optional<Transmission> transmission_from_row(std::string_view row);
/// For the journal and MQTT: start, synchronised, length_s and the figures; null where nothing was measured.
nlohmann::ordered_json to_json(const Transmission& transmission);
/// "Transmission of 20.0 s, unkeyed: mean 100 W, peak 102 W, VSWR up to 1.31, hottest 41.2 °C, 0.56 Wh."
std::string sentence(const Transmission& transmission);

}  // namespace dekeyd::formats
