#include "second_opinion/bounds.hpp"

#include <algorithm>
#include <cmath>
#include <limits>
#include <utility>

namespace dekeyd::second_opinion {

namespace {

constexpr double infinite = std::numeric_limits<double>::infinity();
/// What rounding may make of a level, and far less than a converter's step: the bound lies so much beyond it.
constexpr double rounding = 1e-9;

bool guards(const core::LimitPlan& limit) {
    return limit.trips && !limit.provisional;
}

/// A jump is doubted until the last reading that was believed is too old.
Time doubt(const core::Channel& channel) {
    const bool doubts = channel.largest_jump > 0.0 || channel.power_on_value;
    return channel.kind == core::ChannelKind::temperature && doubts ? channel.allowed_age : Time::zero();
}

bool falls(const core::Channel& channel) {
    if (!channel.power) return std::signbit(channel.gain);
    if (const auto* log = std::get_if<core::LogDetector>(&channel.power->detector))
        return std::signbit(log->slope_v_per_db);
    const auto* table = std::get_if<core::TableDetector>(&channel.power->detector);
    return table != nullptr && table->points.size() > 1 &&
           std::signbit(table->points[1].volts - table->points[0].volts);
}

/// The detector's output for dBm at its input; a table goes on beyond its ends as its last two points lead.
double volts(const core::Detector& detector, double dbm) {
    if (const auto* log = std::get_if<core::LogDetector>(&detector)) {
        return (dbm - log->intercept_dbm) * log->slope_v_per_db;
    }
    if (const auto* diode = std::get_if<core::SquareLawDetector>(&detector)) {
        return std::exp2(dbm / 10.0 * std::log2(10.0)) / 1000.0 * diode->volts_per_watt;
    }
    const auto& points = std::get<core::TableDetector>(detector).points;
    if (points.size() < 2) return std::nan("");
    std::size_t upper = 1;
    while (upper + 1 < points.size() && points[upper].dbm < dbm) ++upper;
    const core::TablePoint &a = points[upper - 1], &b = points[upper];
    const double share = (dbm - a.dbm) / (b.dbm - a.dbm);
    return a.volts * (1.0 - share) + b.volts * share;
}

/// The largest and the smallest that a compensation by temperature may add, in dB.
std::pair<double, double> compensation(const core::Plan& plan, const core::PowerChain& chain) {
    if (!chain.temperature_channel) return {0.0, 0.0};
    const core::Channel& thermometer = plan.channels[*chain.temperature_channel];
    constexpr double coldest_c = -55.0, hottest_c = 125.0;  // the common parts' own range
    const bool window = thermometer.valid_low < thermometer.valid_high;
    const auto added = [&](double celsius) {
        return chain.temperature_db_per_k * (celsius - chain.temperature_reference_c);
    };
    const double low = added(window ? (thermometer.valid_low - thermometer.zero) * thermometer.gain : coldest_c);
    const double high = added(window ? (thermometer.valid_high - thermometer.zero) * thermometer.gain : hottest_c);
    return {std::min({low, high, 0.0}), std::max({low, high, 0.0})};  // none, where the thermometer is lost
}

double power_level(const core::Plan& plan, const core::Channel& channel, bool above, double watts) {
    const core::PowerChain& chain = *channel.power;
    const double on_line_dbm = std::log10(watts * 1000.0) * 10.0;
    double dbm = on_line_dbm - chain.waveform_db - chain.cable_db - chain.pads_db - chain.coupling_db;
    if (above) dbm = std::min(dbm, chain.ceiling_dbm);  // from there on it is "at least so much"
    const auto [least, most] = compensation(plan, chain);
    double level = volts(chain.detector, dbm - (above ? least : most));
    // Past the window on the strong side it is more than the chain can tell.
    if (!above || !(channel.valid_low < channel.valid_high)) return level;
    return falls(channel) ? std::max(level, channel.valid_low) : std::min(level, channel.valid_high);
}

/// The raw numbers that surely lie beyond a level of what the channel measures.
Side side_of(const core::Plan& plan, const core::Channel& channel, core::Direction direction, double level) {
    const bool above = direction == core::Direction::above;
    double raw = std::numeric_limits<double>::quiet_NaN();
    if (channel.power)
        raw = power_level(plan, channel, above, level);
    else if (channel.gain != 0.0)
        raw = level / channel.gain + channel.zero;
    const bool raw_above = above != falls(channel);
    const double room = rounding * (std::abs(raw) + 1.0);
    return {.above = raw_above, .level = raw_above ? raw + room : raw - room};
}

Sensor sensor_of(const core::Plan& plan, std::uint16_t index, Time round) {
    const core::Channel& channel = plan.channels[index];
    Sensor sensor{.name = static_cast<std::uint16_t>(plan.limits.size() + index),
                  .sampler = channel.sampler,
                  .slot = channel.slot,
                  .falls = falls(channel),
                  .lowest = std::numeric_limits<double>::lowest(),
                  .highest = std::numeric_limits<double>::max()};
    if (plan.roles.forward == index && plan.roles.reflected) sensor.again = plan.rf.forward_again_slot;
    if (channel.valid_low < channel.valid_high) {
        sensor.lowest = channel.valid_low;
        sensor.highest = channel.valid_high;
    }
    // A detector that is driven past its window, or the converter past its end, reads a great deal of power.
    if (channel.power) (sensor.falls ? sensor.lowest : sensor.highest) = sensor.falls ? -infinite : infinite;
    bool watched = false, without_supply = false;
    for (const core::LimitPlan& limit : plan.limits) {
        if (limit.watch != index || limit.gate || !guards(limit)) continue;
        watched = true;
        without_supply = without_supply || !limit.while_supplied;
    }
    if (channel.required || watched) sensor.age = channel.allowed_age + round;
    sensor.while_supplied = watched && !without_supply;
    return sensor;
}

/// Why a limit can have no bound; empty where it can.
std::string_view hindrance(const core::Plan& plan, const core::LimitPlan& limit) {
    if (limit.watch >= plan.channels.size()) return "it is worked out from several readings";
    if (limit.gate && limit.gate->quantity >= plan.channels.size()) return "it rests by what is worked out";
    const core::Channel& channel = plan.channels[limit.watch];
    const core::Edge later = limit.direction == core::Direction::above ? core::Edge::low : core::Edge::high;
    if (channel.power && limit.edge == later) return "it grants the detector's doubt";
    return {};
}

}  // namespace

Bounds bounds_of(const core::Plan& plan, std::span<const Time> rounds) {
    Bounds result;
    const auto round = [&](std::uint16_t channel) { return rounds[plan.channels[channel].sampler]; };
    for (std::uint16_t i = 0; i < plan.channels.size(); ++i) result.sensors.push_back(sensor_of(plan, i, round(i)));
    if (plan.supervision.contactor) result.supply_time = plan.supervision.contactor_time;
    for (std::uint16_t i = 0; i < plan.limits.size(); ++i) {
        const core::LimitPlan& limit = plan.limits[i];
        if (!guards(limit)) continue;
        std::string_view why = hindrance(plan, limit);
        Bound bound{.name = i, .sensor = limit.watch, .while_supplied = limit.while_supplied};
        if (why.empty()) {
            const core::Channel& channel = plan.channels[limit.watch];
            bound.beyond = side_of(plan, channel, limit.direction, limit.trip);
            bound.patience = limit.qualify + round(limit.watch) + doubt(channel);
            if (limit.gate) {
                const core::Channel& gate = plan.channels[limit.gate->quantity];
                bound.gate = limit.gate->quantity;
                bound.open = side_of(plan, gate, limit.gate->open, limit.gate->level);
                bound.patience += doubt(gate);
            }
            if (!std::isfinite(bound.beyond.level) || !std::isfinite(bound.open.level)) why = "it has no raw number";
        }
        if (why.empty()) result.bounds.push_back(bound);
        if (!why.empty()) result.without.push_back({i, why});
    }
    return result;
}

}  // namespace dekeyd::second_opinion
