#include "formats/overview.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <nlohmann/json.hpp>
#include <optional>
#include <string_view>
#include <utility>

#include "core/limit.hpp"
#include "core/uncertainty.hpp"
#include "formats/event_text.hpp"
#include "formats/json_number.hpp"

namespace dekeyd::formats {
namespace {

using Json = nlohmann::ordered_json;

/// To a tenth of a second: ages of another digit would only differ from one message to the next.
double tenths_s(core::Duration duration) {
    return std::round(core::seconds(duration) * 10.0) / 10.0;
}

double exact_seconds(core::Duration duration) {
    return core::seconds(duration);
}

Json limit_json(const core::Plan& plan, const core::LimitPlan& limit) {
    const core::QuantityInfo watched = core::describe(plan, limit.watch);
    const bool by_level = limit.clear_by == core::ClearBy::level;
    return {{"id", limit.id},
            {"name", limit.name.empty() ? limit.id : limit.name},
            {"watch", watched.id},
            {"unit", core::symbol(watched.unit)},
            {"direction", limit.direction == core::Direction::above ? "above" : "below"},
            {"trips", limit.trips},
            {"provisional", limit.provisional},
            {"trip", limit.trips ? json_number(limit.trip) : Json(nullptr)},
            {"clear", by_level ? json_number(limit.clear) : Json(nullptr)},
            {"warn", limit.warn ? json_number(*limit.warn) : Json(nullptr)},
            {"clear_by", by_level ? "level" : "rf off"},
            {"qualify_s", exact_seconds(limit.qualify)},
            {"hold_off_s", exact_seconds(limit.hold_off)},
            {"rearm", limit.rearm == core::Rearm::automatic ? "automatic" : "latched"}};
}

Json detector_json(const core::PowerChain& chain) {
    const core::Detector& detector = chain.detector;
    if (chain.correction) return {{"law", "table"}, {"points", chain.correction->points.size()}};
    if (const auto* log = std::get_if<core::LogDetector>(&detector)) {
        return {{"law", "log"},
                {"slope_v_per_db", json_number(log->slope_v_per_db)},
                {"intercept_dbm", json_number(log->intercept_dbm)}};
    }
    if (const auto* table = std::get_if<core::TableDetector>(&detector)) {
        return {{"law", "table"}, {"points", table->points.size()}};
    }
    return {{"law", "square"},
            {"volts_per_watt", json_number(std::get<core::SquareLawDetector>(detector).volts_per_watt)}};
}

/// Its doubt is that at its trip, where there is one.
Json chain_json(const core::Plan& plan, core::QuantityIndex index) {
    const core::Channel& channel = plan.channels[index];
    const core::PowerChain& chain = *channel.power;
    const double at_w = core::lowest_possible_trip(plan, index, {}).value_or(plan.rf.rated_w);
    return {{"id", channel.id},
            {"detector", detector_json(chain)},
            {"coupling_db", json_number(chain.coupling_db)},
            {"pads_db", json_number(chain.pads_db)},
            {"cable_db", json_number(chain.cable_db)},
            {"waveform_db", json_number(chain.waveform_db)},
            {"floor_dbm", json_number(chain.floor_dbm)},
            {"ceiling_dbm", json_number(chain.ceiling_dbm)},
            {"uncertainty_db", json_number(core::power_budget_at(chain, at_w).combined_db)}};
}

}  // namespace

Json plan_json(const core::Plan& plan) {
    Json limits = Json::array();
    for (const core::LimitPlan& limit : plan.limits) limits.push_back(limit_json(plan, limit));
    const core::Roles& roles = plan.roles;
    const std::array<std::pair<std::string_view, std::optional<std::uint16_t>>, 8> all{{{"forward", roles.forward},
                                                                                        {"reflected", roles.reflected},
                                                                                        {"drive", roles.drive},
                                                                                        {"supply", roles.supply},
                                                                                        {"current", roles.current},
                                                                                        {"heatsink", roles.heatsink},
                                                                                        {"ambient", roles.ambient},
                                                                                        {"fan", roles.fan}}};
    Json by_role = Json::object();
    for (const auto& [role, channel] : all) {
        if (channel && *channel < plan.channels.size()) by_role[std::string{role}] = plan.channels[*channel].id;
    }
    Json chains = Json::array();
    for (std::size_t i = 0; i < plan.channels.size(); ++i) {
        if (plan.channels[i].power) chains.push_back(chain_json(plan, static_cast<core::QuantityIndex>(i)));
    }
    return {{"limits", std::move(limits)},
            {"roles", std::move(by_role)},
            {"chains", std::move(chains)},
            {"settling_s", exact_seconds(plan.interlock.settling)}};
}

Json cause_json(const core::Plan& plan, const core::Snapshot& snapshot, core::SourceIndex source) {
    const core::Cause& cause = snapshot.causes[source];
    const core::SourceInfo info = core::describe_source(plan, source);
    const bool limit = info.kind == core::SourceInfo::Kind::limit && info.index < plan.limits.size();
    const core::Duration hold_off = limit ? plan.limits[info.index].hold_off : plan.interlock.sensor_hold_off;
    const bool clear = cause.condition == core::Condition::clear;
    const core::Duration left = clear ? hold_off - (snapshot.now - cause.clear_since) : hold_off;
    const auto quantity = quantity_of(plan, source);
    const bool known = quantity && *quantity < snapshot.quantities.size();
    return {{"text", cause_in_words(plan, source, cause, known ? &snapshot.quantities[*quantity] : nullptr)},
            {"since_s", std::max(0.0, tenths_s(snapshot.now - cause.since))},
            {"hold_off_left_s", std::max(0.0, tenths_s(left))},
            {"latched", cause.latched},
            {"first", cause.first}};
}

Json span_json(const core::Reading& reading) {
    const bool there = reading.measured() && std::isfinite(reading.low) && std::isfinite(reading.high);
    if (!there) return nullptr;
    const auto rounded = [](double value) { return Json(std::round(value * 1000.0) / 1000.0); };
    return Json::array({rounded(reading.low), reading.high >= core::unbounded ? Json(nullptr) : rounded(reading.high)});
}

}  // namespace dekeyd::formats
