#include "maths/rf.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <span>

#include "maths/correction.hpp"

namespace dekeyd::core {

namespace {

// Of all watts from -largest_dbm to largest_dbm.
constexpr double lowest_ten = (-largest_dbm - 30.0) / 10.0;
constexpr std::array powers_of_ten{1e-23, 1e-22, 1e-21, 1e-20, 1e-19, 1e-18, 1e-17, 1e-16, 1e-15, 1e-14, 1e-13,
                                   1e-12, 1e-11, 1e-10, 1e-9,  1e-8,  1e-7,  1e-6,  1e-5,  1e-4,  1e-3,  1e-2,
                                   1e-1,  1e0,   1e1,   1e2,   1e3,   1e4,   1e5,   1e6,   1e7,   1e8,   1e9,
                                   1e10,  1e11,  1e12,  1e13,  1e14,  1e15,  1e16,  1e17};
static_assert(powers_of_ten.size() == static_cast<std::size_t>(2.0 * largest_dbm / 10.0) + 1);

constexpr double largest_volts = 1.0e6;

// For numbers whose NaN must become a chosen value. std::clamp would let NaN through.
double bounded(double value, double low, double high, double if_nan) noexcept {
    if (std::isnan(value)) return if_nan;
    return std::clamp(value, low, high);
}

double unit_reflection(double reflection) noexcept {
    return bounded(reflection, 0.0, 1.0, 1.0);
}

// y on the line through two points; the caller has seen to it that their x differ.
double on_line(double x, double x1, double y1, double x2, double y2) noexcept {
    return y1 + (x - x1) * ((y2 - y1) / (x2 - x1));
}

// The segment whose line is used for a key: the one that holds it, or the nearest end's.
template <typename Key>
std::size_t segment(std::span<const TablePoint> points, double key, bool rising, Key key_of) noexcept {
    const std::size_t last = points.size() - 2;
    std::size_t i = 0;
    while (i < last && (key < key_of(points[i + 1])) != rising) ++i;
    return i;
}

bool falls(std::span<const TablePoint> points) noexcept {
    return std::signbit(points.back().volts - points.front().volts);
}

double table_dbm(std::span<const TablePoint> points, double volts) noexcept {
    if (points.size() < 2) return largest_dbm;
    const std::size_t i = segment(points, volts, !falls(points), [](const TablePoint& p) { return p.volts; });
    const TablePoint a = points[i];
    const TablePoint b = points[i + 1];
    if (a.volts == b.volts) return largest_dbm;
    return on_line(volts, a.volts, a.dbm, b.volts, b.dbm);
}

double table_volts(std::span<const TablePoint> points, double dbm) noexcept {
    if (points.size() < 2) return 0.0;
    const std::size_t i = segment(points, dbm, true, [](const TablePoint& p) { return p.dbm; });
    const TablePoint a = points[i];
    const TablePoint b = points[i + 1];
    if (a.dbm == b.dbm) return a.volts;
    return on_line(dbm, a.dbm, a.volts, b.dbm, b.volts);
}

double raw_dbm(const Detector& detector, double volts) noexcept {
    if (const auto* log = std::get_if<LogDetector>(&detector)) {
        return log->slope_v_per_db == 0.0 ? largest_dbm : volts / log->slope_v_per_db + log->intercept_dbm;
    }
    if (const auto* table = std::get_if<TableDetector>(&detector)) return table_dbm(table->points, volts);
    if (const auto* diode = std::get_if<SquareLawDetector>(&detector)) {
        return diode->volts_per_watt > 0.0 ? dbm_from_watts(volts / diode->volts_per_watt) : largest_dbm;
    }
    return largest_dbm;
}

double raw_volts(const Detector& detector, double dbm) noexcept {
    if (const auto* log = std::get_if<LogDetector>(&detector)) {
        return log->slope_v_per_db * (dbm - log->intercept_dbm);
    }
    if (const auto* table = std::get_if<TableDetector>(&detector)) return table_volts(table->points, dbm);
    if (const auto* diode = std::get_if<SquareLawDetector>(&detector)) {
        return diode->volts_per_watt * watts_from_dbm(dbm);
    }
    return 0.0;
}

}  // namespace

double dbm_from_watts(double watts) noexcept {
    return bounded(10.0 * std::log10(watts) + 30.0, -largest_dbm, largest_dbm, -largest_dbm);
}

double watts_from_dbm(double dbm) noexcept {
    // 10^x as a whole power of ten, so that whole tens of decibels are exact, times a power of two, which takes a third
    // of the time that pow() takes. The error is below 1e-15.
    constexpr double octaves_per_ten = 3.3219280948873623;  // log2(10)
    const double x = (bounded(dbm, -largest_dbm, largest_dbm, largest_dbm) - 30.0) / 10.0;
    const auto below = static_cast<std::size_t>(x - lowest_ten);
    const double whole = static_cast<double>(below) + lowest_ten;
    return powers_of_ten[below] * std::exp2((x - whole) * octaves_per_ten);
}

double db_from_ratio(double ratio) noexcept {
    return bounded(10.0 * std::log10(ratio), -largest_dbm, largest_dbm, -largest_dbm);
}

double detector_dbm(const Detector& detector, double volts) noexcept {
    if (!std::isfinite(volts)) return largest_dbm;
    return bounded(raw_dbm(detector, volts), -largest_dbm, largest_dbm, largest_dbm);
}

double detector_volts(const Detector& detector, double dbm) noexcept {
    const double asked = bounded(dbm, -largest_dbm, largest_dbm, largest_dbm);
    return bounded(raw_volts(detector, asked), -largest_volts, largest_volts, 0.0);
}

bool falls_with_power(const Detector& detector) noexcept {
    if (const auto* log = std::get_if<LogDetector>(&detector)) return std::signbit(log->slope_v_per_db);
    if (const auto* table = std::get_if<TableDetector>(&detector)) {
        return !table->points.empty() && falls(table->points);
    }
    return false;
}

std::optional<LogDetector> log_detector_through(TablePoint first, TablePoint second) noexcept {
    if (first.dbm == second.dbm) return std::nullopt;
    const double slope = (first.volts - second.volts) / (first.dbm - second.dbm);
    if (slope == 0.0) return std::nullopt;
    const double intercept = first.dbm - first.volts / slope;
    if (!std::isfinite(slope) || !std::isfinite(intercept)) return std::nullopt;
    return LogDetector{slope, intercept};
}

LinePower line_power(const PowerChain& chain, double volts, std::optional<double> temperature_c) noexcept {
    double at_detector = chain_dbm(chain, volts);
    if (temperature_c && std::isfinite(*temperature_c)) {
        at_detector += chain.temperature_db_per_k * (*temperature_c - chain.temperature_reference_c);
    }
    const double added = chain.coupling_db + chain.pads_db + chain.cable_db + chain.waveform_db;
    LinePower power;
    if (at_detector < chain.floor_dbm) {
        power.range = DetectorRange::at_floor;
        at_detector = chain.floor_dbm;
    } else if (!(at_detector <= chain.ceiling_dbm)) {  // NaN too: an unknown power counts as too much
        power.range = DetectorRange::above_ceiling;
        at_detector = chain.ceiling_dbm;
    }
    const double dbm = at_detector + added;
    if (!std::isfinite(dbm)) power.range = DetectorRange::above_ceiling;
    power.dbm = bounded(dbm, -largest_dbm, largest_dbm, largest_dbm);
    power.watts = watts_from_dbm(power.dbm);
    return power;
}

double reflection_from_powers(double forward_w, double reflected_w) noexcept {
    if (!std::isfinite(forward_w) || !std::isfinite(reflected_w)) return 1.0;
    if (forward_w <= 0.0) return 1.0;
    return unit_reflection(std::sqrt(std::max(0.0, reflected_w) / forward_w));
}

double vswr_from_reflection(double reflection) noexcept {
    const double g = unit_reflection(reflection);
    return g < 1.0 ? std::min((1.0 + g) / (1.0 - g), unbounded) : unbounded;
}

double reflection_from_vswr(double vswr) noexcept {
    const double s = bounded(vswr, 1.0, unbounded, unbounded);
    return s < unbounded ? (s - 1.0) / (s + 1.0) : 1.0;
}

double return_loss_db(double reflection) noexcept {
    const double g = unit_reflection(reflection);
    return std::clamp(-20.0 * std::log10(g), 0.0, largest_dbm);
}

double mismatch_loss_db(double reflection) noexcept {
    const double g = unit_reflection(reflection);
    const double passed = (1.0 - g) * (1.0 + g);
    return std::clamp(-10.0 * std::log10(passed), 0.0, largest_dbm);
}

double coupler_main_line_loss_db(double coupling_db) noexcept {
    const double taken = std::pow(10.0, -bounded(coupling_db, 0.0, largest_dbm, 0.0) / 10.0);
    return std::clamp(-10.0 * std::log10(1.0 - taken), 0.0, largest_dbm);
}

double far_end_factor(double feeder_loss_db) noexcept {
    // Down and back: twice the loss in return loss.
    return std::pow(10.0, bounded(feeder_loss_db, 0.0, largest_dbm, largest_dbm) / 10.0);
}

double reflection_at_far_end(double reflection, double feeder_loss_db) noexcept {
    return std::min(1.0, unit_reflection(reflection) * far_end_factor(feeder_loss_db));
}

double power_factor(double db) noexcept {
    return watts_from_dbm(30.0 + db);
}

double leakage(double directivity_db) noexcept {
    // No directivity, a negative or an unknown one: the leak may be as large as the wave itself.
    return std::pow(10.0, -bounded(directivity_db, 0.0, largest_dbm, 0.0) / 20.0);
}

ReflectionInterval reflection_interval(double measured, double directivity_db) noexcept {
    return reflection_interval_by_leak(measured, leakage(directivity_db));
}

ReflectionInterval reflection_interval_by_leak(double measured, double leak) noexcept {
    const double m = unit_reflection(measured);
    const double d = leak;
    const double room = 1.0 - m * d;
    const double high = room > 0.0 ? (m + d) / room : 1.0;
    return {std::max(0.0, (m - d) / (1.0 + m * d)), std::min(1.0, high), high >= 1.0};
}

ReflectionInterval indicated_interval(double true_reflection, double directivity_db, LeakyArms arms) noexcept {
    const double g = unit_reflection(true_reflection);
    const double d = leakage(directivity_db);
    const double leak = arms == LeakyArms::both ? g * d : 0.0;
    const double room = 1.0 - leak;
    const double high = room > 0.0 ? (g + d) / room : 1.0;
    return {std::max(0.0, (g - d) / (1.0 + leak)), std::min(1.0, high), high >= 1.0};
}

double lost_antenna_reflection(double feeder_loss_db) noexcept {
    const double loss_db = bounded(feeder_loss_db, 0.0, largest_dbm, 0.0);
    return std::pow(10.0, -loss_db / 10.0);
}

}  // namespace dekeyd::core
