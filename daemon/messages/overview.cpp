#include "messages/overview.hpp"

#include <algorithm>
#include <array>
#include <chrono>
#include <cmath>
#include <optional>
#include <string_view>
#include <utility>

#include "core/limit.hpp"
#include "maths/uncertainty.hpp"
#include "words/event_text.hpp"
#include "words/reason.hpp"

namespace dekeyd::formats {
namespace {

/// To a tenth of a second: ages of another digit would only differ from one message to the next.
double tenths(double seconds) {
    return std::round(seconds * 10.0) / 10.0;
}

/// Three digits behind the point are finer than any of these can be measured; below 1, where a trip may be of some
/// milliwatts, as many as leave four that say something, down to a millionth.
double thousandths(double value) {
    double unit = 1000.0;
    while (unit < 1e6 && std::fabs(value) * unit < 1000.0) unit *= 10.0;
    return std::round(value * unit) / unit;
}

std::int64_t whole_seconds(core::Duration duration) {
    return std::max<std::int64_t>(0, std::chrono::duration_cast<std::chrono::seconds>(duration).count());
}

constexpr core::Words<core::Edge::high> edge_words{"reading", "low", "high"};

DetectorMessage detector_of(const core::PowerChain& chain) {
    DetectorMessage message;
    if (chain.correction) {
        message.law = "table";
        message.points = chain.correction->points.size();
    } else if (const auto* log = std::get_if<core::LogDetector>(&chain.detector)) {
        message.law = "log";
        message.slope_v_per_db = log->slope_v_per_db;
        message.intercept_dbm = log->intercept_dbm;
    } else if (const auto* table = std::get_if<core::TableDetector>(&chain.detector)) {
        message.law = "table";
        message.points = table->points.size();
    } else {
        message.law = "square";
        message.volts_per_watt = std::get<core::SquareLawDetector>(chain.detector).volts_per_watt;
    }
    return message;
}

/// Its doubt is that at its trip, where there is one.
ChainMessage chain_of(const core::Plan& plan, core::QuantityIndex index) {
    const core::Channel& channel = plan.channels[index];
    const core::PowerChain& chain = *channel.power;
    const double at_w = core::lowest_possible_trip(plan, index, {}).value_or(plan.rf.rated_w);
    return {.id = channel.id,
            .detector = detector_of(chain),
            .coupling_db = chain.coupling_db,
            .pads_db = chain.pads_db,
            .cable_db = chain.cable_db,
            .waveform_db = chain.waveform_db,
            .floor_dbm = chain.floor_dbm,
            .ceiling_dbm = chain.ceiling_dbm,
            .uncertainty_db = core::power_budget_at(chain, at_w).combined_db};
}

/// Low and high of a measured reading, rounded; high is none when it is unbounded. Empty where nothing is measured.
std::vector<std::optional<double>> span_of(const core::Reading& reading) {
    const bool there = reading.measured() && std::isfinite(reading.low) && std::isfinite(reading.high);
    if (!there) return {};
    const bool open = reading.high >= core::unbounded;
    return {thousandths(reading.low), open ? std::optional<double>{} : thousandths(reading.high)};
}

}  // namespace

LimitStatus planned_limit(const core::Plan& plan, const core::LimitPlan& limit) {
    const core::QuantityInfo watched = core::describe(plan, limit.watch);
    LimitStatus message;
    message.id = limit.id;
    message.name = limit.name.empty() ? limit.id : limit.name;
    message.watch = watched.id;
    if (const core::StagePlan* const stage = core::stage_of(plan, limit.watch)) message.stage = stage->id;
    message.unit = core::symbol(watched.unit);
    message.above = limit.direction == core::Direction::above;
    message.trips = limit.trips;
    message.provisional = limit.provisional;
    message.edge = edge_words.of(limit.edge);
    message.trip = limit.trip;
    message.clears_by_level = limit.clear_by == core::ClearBy::level;
    if (message.clears_by_level) message.clear = limit.clear;
    message.warn = limit.warn;
    message.qualify_s = core::seconds(limit.qualify);
    message.hold_off_s = core::seconds(limit.hold_off);
    message.latches = limit.rearm == core::Rearm::latched;
    return message;
}

double hold_off_left_s(const core::Plan& plan, const core::Snapshot& snapshot, core::SourceIndex source) {
    const core::Cause& cause = snapshot.causes[source];
    const core::SourceInfo info = core::describe_source(plan, source);
    const bool limit = info.kind == core::SourceInfo::Kind::limit && info.index < plan.limits.size();
    const core::Duration hold_off = limit ? plan.limits[info.index].hold_off : plan.interlock.sensor_hold_off;
    const bool clear = cause.condition == core::Condition::clear;
    const core::Duration left = clear ? hold_off - (snapshot.now - cause.clear_since) : hold_off;
    return std::max(0.0, core::seconds(left));
}

PlanMessage plan_of(const core::Plan& plan) {
    PlanMessage message;
    for (const core::LimitPlan& limit : plan.limits)
        message.limits.push_back({planned_limit(plan, limit), limit.trips ? std::optional{limit.trip} : std::nullopt});
    const core::Roles& roles = plan.roles;
    const std::array<std::pair<std::string_view, std::optional<std::uint16_t>>, 8> all{{{"forward", roles.forward},
                                                                                        {"reflected", roles.reflected},
                                                                                        {"drive", roles.drive},
                                                                                        {"supply", roles.supply},
                                                                                        {"current", roles.current},
                                                                                        {"heatsink", roles.heatsink},
                                                                                        {"ambient", roles.ambient},
                                                                                        {"fan", roles.fan}}};
    for (const auto& [role, channel] : all) {
        if (channel && *channel < plan.channels.size()) message.roles[std::string{role}] = plan.channels[*channel].id;
    }
    for (std::size_t i = 0; i < plan.channels.size(); ++i) {
        if (plan.channels[i].power) message.chains.push_back(chain_of(plan, static_cast<core::QuantityIndex>(i)));
    }
    message.settling_s = core::seconds(plan.interlock.settling);
    return message;
}

SummaryCause cause_of(const core::Plan& plan, const core::Snapshot& snapshot, core::SourceIndex source) {
    const core::Cause& cause = snapshot.causes[source];
    const auto quantity = quantity_of(plan, source);
    const bool known = quantity && *quantity < snapshot.quantities.size();
    SummaryCause message;
    message.text = cause_in_words(plan, source, cause, known ? &snapshot.quantities[*quantity] : nullptr);
    message.since_s = std::max(0.0, tenths(core::seconds(snapshot.now - cause.since)));
    message.hold_off_left_s = tenths(hold_off_left_s(plan, snapshot, source));
    message.latched = cause.latched;
    message.first = cause.first;
    return message;
}

std::vector<HoldMessage> holds_of(const core::Memory& memory, const Notes& notes, std::chrono::nanoseconds now) {
    std::vector<HoldMessage> holds;
    const auto add = [&](bool stands, const Note& note, bool local) {
        if (!stands) return;
        HoldMessage& one = holds.emplace_back();
        one.by = note.at_start ? "start" : core::text(local ? core::Origin::local : core::Origin::remote);
        if (note.at_s > 0) one.since = to_iso(std::chrono::seconds{note.at_s});
        one.synchronised = note.synchronised;
        one.reason = note.reason;
        one.text = hold_in_words(note, local, now);
    };
    add(memory.held_locally, notes.local, true);
    add(memory.held_remotely, notes.remote, false);
    return holds;
}

LiveSummary summary_of(const core::Plan& plan, const core::Snapshot& snapshot) {
    LiveSummary summary;
    summary.sequence = snapshot.sequence;
    summary.permit = may_transmit(snapshot);
    summary.state = core::text(snapshot.state);
    summary.monitor_only = snapshot.monitor_only;
    if (snapshot.commissioning_until)
        summary.commissioning_left_s = whole_seconds(*snapshot.commissioning_until - snapshot.now);
    summary.proof.phase = core::text(snapshot.proof.phase);
    summary.rf = snapshot.rf_present;
    if (snapshot.transmitting_since)
        summary.transmitting_s = whole_seconds(snapshot.now - *snapshot.transmitting_since);
    if (const auto left = settling_left(plan, snapshot))
        summary.settling_left_s = whole_seconds(*left + std::chrono::milliseconds{999});
    for (std::size_t i = 0; i < snapshot.quantities.size(); ++i) {
        const auto index = static_cast<core::QuantityIndex>(i);
        if (!can_be_known(plan, index)) continue;
        const core::Reading& reading = snapshot.quantities[i];
        const std::string id{core::describe(plan, index).id};
        summary.values[id] = has_number(reading) ? std::optional{thousandths(reading.value)} : std::nullopt;
        if (auto span = span_of(reading); !span.empty()) summary.span[id] = std::move(span);
        if (reading.health != core::Health::good) summary.quality[id] = quality(reading);
    }
    for (std::size_t limit = 0; limit < snapshot.standing.size(); ++limit) {
        const core::Standing standing = snapshot.standing[limit];
        if (core::rests(standing)) summary.resting[plan.limits[limit].id] = core::text(standing);
    }
    return summary;
}

bool has_number(const core::Reading& reading) noexcept {
    return std::isfinite(reading.value) && reading.value < core::unbounded &&
           (reading.measured() || reading.health == core::Health::above_range);
}

std::string_view quality(const core::Reading& reading) noexcept {
    const bool why = reading.health == core::Health::unknown && reading.fault != core::Fault::none;
    if (why) return core::text(reading.fault);
    const bool beyond = reading.measured() && reading.value >= core::unbounded;
    return core::text(beyond ? core::Health::above_range : reading.health);
}

bool endangered(const core::Plan& plan, const core::Snapshot& snapshot, core::Hazard hazard) noexcept {
    for (std::size_t i = 0; i < snapshot.causes.size(); ++i) {
        if (snapshot.causes[i].active && core::hazard_of(plan, static_cast<core::SourceIndex>(i)) == hazard)
            return true;
    }
    return hazard == core::Hazard::sensors &&
           std::any_of(snapshot.channels.begin(), snapshot.channels.end(),
                       [](const core::ChannelCount& channel) { return channel.told || channel.frozen; });
}

}  // namespace dekeyd::formats
