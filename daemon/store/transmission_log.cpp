#include "store/transmission_log.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <chrono>
#include <cmath>
#include <nlohmann/json.hpp>

#include "plan/number_text.hpp"
#include "words/event_text.hpp"

namespace dekeyd::formats {
namespace {

/// A longer time between two steps is a gap, in which nothing is known.
constexpr double longest_step_s = 1.0;
constexpr double seconds_an_hour = 3600.0;
constexpr int length_digits = 3, figure_digits = 3, coarse_digits = 2, energy_digits = 4;  ///< behind the point

const core::Reading* role(const core::Snapshot& snapshot, const std::optional<std::uint16_t>& channel) {
    return channel ? &snapshot.quantities[*channel] : nullptr;
}

void keep_largest(std::optional<double>& kept, double value) {
    kept = kept ? std::max(*kept, value) : value;
}

/// To the digits that its row has, so that all who are told of it are told the same.
double rounded(double value, int digits) {
    const double places = std::pow(10.0, digits);
    return std::round(value * places) / places;
}

void round(std::optional<double>& value, int digits) {
    if (value) value = rounded(*value, digits);
}

std::string cell(const std::optional<double>& value, int digits) {
    return value ? fmt::format("{:.{}f}", *value, digits) : std::string{};
}

std::string without_commas(std::string text) {
    for (char& c : text) {
        if (c == ',' || c == '"' || c == '\n' || c == '\r') c = ' ';
    }
    return text;
}

}  // namespace

std::optional<Transmission> TransmissionMeter::follow(const core::Snapshot& after,
                                                      std::span<const core::Event> events) {
    const double dt_s = followed_ ? std::min(core::seconds(after.now - last_), longest_step_s) : 0.0;
    last_ = after.now;
    followed_ = true;
    if (!began_ && after.transmitting_since) {
        began_ = *after.transmitting_since;
        last_rf_ = after.now;
    }
    if (!began_) return std::nullopt;
    for (const core::Event& event : events) {
        if (!now_.ended.empty()) break;
        if (event.kind == core::EventKind::tripped && event.first_cause) {
            now_.ended = fmt::format("tripped: {}", core::describe_source(plan_, event.source).id);
        }
        if (event.kind == core::EventKind::held) now_.ended = "held";
    }
    if (after.rf_present) {
        last_rf_ = after.now;
        measure(after, dt_s);
    }
    if (after.transmitting_since) return std::nullopt;
    if (now_.ended.empty()) now_.ended = "unkeyed";
    return finish();
}

std::optional<Transmission> TransmissionMeter::stop() {
    if (!began_) return std::nullopt;
    if (now_.ended.empty()) now_.ended = "stopped";
    return finish();
}

void TransmissionMeter::measure(const core::Snapshot& after, double dt_s) {
    const core::Reading* forward = role(after, plan_.roles.forward);
    if (forward != nullptr && forward->measured()) {
        keep_largest(now_.peak_forward_w, forward->value);
        energy_ws_ += forward->value * dt_s;
        forward_s_ += dt_s;
        const core::Reading& dc = after.quantities[plan_.index(core::Derived::dc_power)];
        if (dc.measured()) {
            rf_ws_ += forward->value * dt_s;
            dc_ws_ += dc.value * dt_s;
        }
    }
    const core::Reading& vswr = after.quantities[plan_.index(core::Derived::vswr)];
    if (vswr.measured()) keep_largest(now_.worst_vswr, vswr.value);
    const core::Reading* heatsink = role(after, plan_.roles.heatsink);
    if (heatsink != nullptr && heatsink->measured()) keep_largest(now_.hottest_c, heatsink->value);
}

Transmission TransmissionMeter::finish() {
    now_.length_s = core::seconds(last_rf_ - *began_);
    now_.energy_wh = energy_ws_ / seconds_an_hour;
    if (forward_s_ > 0.0) now_.mean_forward_w = energy_ws_ / forward_s_;
    if (dc_ws_ > 0.0) now_.efficiency_percent = 100.0 * rf_ws_ / dc_ws_;
    now_.length_s = rounded(now_.length_s, length_digits);
    now_.energy_wh = rounded(now_.energy_wh, energy_digits);
    for (auto* figure : {&now_.mean_forward_w, &now_.peak_forward_w, &now_.worst_vswr}) round(*figure, figure_digits);
    for (auto* figure : {&now_.hottest_c, &now_.efficiency_percent}) round(*figure, coarse_digits);
    Transmission finished = std::move(now_);
    now_ = {};
    began_.reset();
    forward_s_ = energy_ws_ = dc_ws_ = rf_ws_ = 0.0;
    return finished;
}

std::string_view transmission_columns() {
    return "start (UTC),clock set,length (s),mean forward (W),peak forward (W),worst VSWR,hottest (°C),energy (Wh),"
           "efficiency (%),ended";
}

std::string to_row(const Transmission& t) {
    return fmt::format("{},{},{},{},{},{},{},{},{},{}", t.start_utc, t.synchronised ? "yes" : "no",
                       cell(t.length_s, length_digits), cell(t.mean_forward_w, figure_digits),
                       cell(t.peak_forward_w, figure_digits), cell(t.worst_vswr, figure_digits),
                       cell(t.hottest_c, coarse_digits), cell(t.energy_wh, energy_digits),
                       cell(t.efficiency_percent, coarse_digits), without_commas(t.ended));
}

nlohmann::ordered_json to_json(const Transmission& t) {
    const auto number_or_null = [](const std::optional<double>& value) {
        return value ? nlohmann::ordered_json(*value) : nlohmann::ordered_json(nullptr);
    };
    return {{"start", t.start_utc},
            {"synchronised", t.synchronised},
            {"length_s", t.length_s},
            {"mean_forward_w", number_or_null(t.mean_forward_w)},
            {"peak_forward_w", number_or_null(t.peak_forward_w)},
            {"worst_vswr", number_or_null(t.worst_vswr)},
            {"hottest_c", number_or_null(t.hottest_c)},
            {"energy_wh", t.energy_wh},
            {"efficiency_percent", number_or_null(t.efficiency_percent)},
            {"ended", t.ended}};
}

std::string sentence(const Transmission& t) {
    std::string text = fmt::format("Transmission of {:.1f} s, {}: ", t.length_s, t.ended);
    if (t.mean_forward_w) text += "mean " + with_unit(*t.mean_forward_w, core::Unit::watt) + ", ";
    if (t.peak_forward_w) text += "peak " + with_unit(*t.peak_forward_w, core::Unit::watt) + ", ";
    if (t.worst_vswr) text += "VSWR up to " + to_words(*t.worst_vswr, core::Unit::none) + ", ";
    if (t.hottest_c) text += "hottest " + with_unit(*t.hottest_c, core::Unit::celsius) + ", ";
    return text + fmt::format("{:.2f} Wh.", t.energy_wh);
}

std::optional<Transmission> transmission_from_row(std::string_view row) {
    std::array<std::string_view, 10> cells;
    for (std::size_t i = 0; i < cells.size(); ++i) {
        const std::size_t comma = row.find(',');
        if ((comma == std::string_view::npos) != (i + 1 == cells.size())) return std::nullopt;
        cells[i] = row.substr(0, comma);
        if (comma != std::string_view::npos) row.remove_prefix(comma + 1);
    }
    const auto length = core::to_number<double>(cells[2]);
    const auto energy = core::to_number<double>(cells[7]);
    if (!length || !energy) return std::nullopt;
    return Transmission{.start_utc = std::string{cells[0]},
                        .synchronised = cells[1] == "yes",
                        .length_s = *length,
                        .mean_forward_w = core::to_number<double>(cells[3]),
                        .peak_forward_w = core::to_number<double>(cells[4]),
                        .worst_vswr = core::to_number<double>(cells[5]),
                        .hottest_c = core::to_number<double>(cells[6]),
                        .energy_wh = *energy,
                        .efficiency_percent = core::to_number<double>(cells[8]),
                        .ended = std::string{cells[9]}};
}

}  // namespace dekeyd::formats
