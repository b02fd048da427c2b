#include "formats/snapshot_json.hpp"

#include <algorithm>
#include <cmath>
#include <nlohmann/json.hpp>

#include "formats/back_off_text.hpp"
#include "formats/calibration.hpp"
#include "formats/json_number.hpp"
#include "formats/reaction.hpp"
#include "formats/reason.hpp"

namespace dekeyd::formats {
namespace {

using Json = nlohmann::ordered_json;
using core::Duration;
using core::SourceInfo;

Json optional_number(const std::optional<double>& value) {
    return value ? json_number(*value) : Json(nullptr);
}

std::string_view kind_text(SourceInfo::Kind kind) {
    switch (kind) {
        case SourceInfo::Kind::limit: return "limit";
        case SourceInfo::Kind::channel: return "channel";
        case SourceInfo::Kind::builtin: break;
    }
    return "builtin";
}

Json causes_json(const core::Plan& plan, const core::Snapshot& snapshot) {
    Json list = Json::array();
    for (std::size_t i = 0; i < snapshot.causes.size(); ++i) {
        const core::Cause& cause = snapshot.causes[i];
        if (!cause.active) continue;
        const SourceInfo info = core::describe_source(plan, static_cast<core::SourceIndex>(i));
        const bool limit = info.kind == SourceInfo::Kind::limit && info.index < plan.limits.size();
        const Duration hold_off = limit ? plan.limits[info.index].hold_off : plan.interlock.sensor_hold_off;
        const bool clear = cause.condition == core::Condition::clear;
        const Duration left = clear ? hold_off - (snapshot.now - cause.clear_since) : hold_off;
        list.push_back({{"id", info.id},
                        {"name", info.name},
                        {"kind", kind_text(info.kind)},
                        {"condition", core::text(cause.condition)},
                        {"active", cause.active},
                        {"latched", cause.latched},
                        {"first", cause.first},
                        {"since_s", core::seconds(snapshot.now - cause.since)},
                        {"hold_off_left_s", std::max(0.0, core::seconds(left))}});
    }
    return list;
}

Json quantities_json(const core::Plan& plan, const core::Snapshot& snapshot) {
    Json list = Json::array();
    for (std::size_t i = 0; i < std::min(snapshot.quantities.size(), plan.quantity_count()); ++i) {
        const core::Reading& reading = snapshot.quantities[i];
        const core::QuantityInfo info = core::describe(plan, static_cast<core::QuantityIndex>(i));
        const bool there = reading.measured() || reading.health == core::Health::above_range;
        const bool ever = reading.taken != core::Instant{};
        list.push_back(
            {{"id", info.id},
             {"name", info.name},
             {"unit", core::symbol(info.unit)},
             {"value", there ? json_number(reading.value) : Json(nullptr)},
             {"low", there ? json_number(reading.low) : Json(nullptr)},
             {"high", there ? json_number(reading.high) : Json(nullptr)},
             {"health", core::text(reading.health)},
             {"fault", core::text(reading.fault)},
             {"age_s", ever ? Json(std::max(0.0, core::seconds(snapshot.now - reading.taken))) : Json(nullptr)}});
    }
    return list;
}

Json limits_json(const Configuration& configuration, const core::Snapshot& snapshot) {
    const core::Plan& plan = configuration.plan;
    Json list = Json::array();
    for (std::size_t i = 0; i < std::min(plan.limits.size(), snapshot.causes.size()); ++i) {
        const core::LimitPlan& limit = plan.limits[i];
        const core::QuantityInfo watched = core::describe(plan, limit.watch);
        const bool by_level = limit.clear_by == core::ClearBy::level;
        list.push_back({{"id", limit.id},
                        {"name", limit.name},
                        {"watch", watched.id},
                        {"unit", core::symbol(watched.unit)},
                        {"direction", limit.direction == core::Direction::above ? "above" : "below"},
                        {"trip", json_number(limit.trip)},
                        {"trips", limit.trips},
                        {"provisional", limit.provisional},
                        {"standing", core::text(snapshot.standing[i])},
                        {"rests", core::rests(snapshot.standing[i])},
                        {"clear", by_level ? json_number(limit.clear) : Json(nullptr)},
                        {"warn", optional_number(limit.warn)},
                        {"clear_by", by_level ? "level" : "rf off"},
                        {"qualify_s", core::seconds(limit.qualify)},
                        {"hold_off_s", core::seconds(limit.hold_off)},
                        {"reaction_s", core::seconds(reaction(configuration, limit).total())},
                        {"provable", core::Proof::provable(limit)},
                        {"rearm", limit.rearm == core::Rearm::automatic ? "automatic" : "latched"},
                        {"condition", core::text(snapshot.causes[i].condition)},
                        {"active", snapshot.causes[i].active},
                        {"warning", i < snapshot.warnings.size() && snapshot.warnings[i] != 0}});
    }
    return list;
}

/// Of each power, by its sensor: what tells its way from volts to watts from another.
Json laws_json(const core::Plan& plan) {
    Json laws = Json::object();
    for (const core::Channel& channel : plan.channels)
        if (channel.power) laws[channel.id] = chain_id(*channel.power);
    return laws;
}

Json proof_json(const core::Plan& plan, const core::Snapshot& snapshot, const StatusContext& context) {
    const core::ProofView& proof = snapshot.proof;
    const bool forces = proof.phase == core::ProofPhase::limit;
    Json json{{"phase", core::text(proof.phase)},
              {"running", proof.phase != core::ProofPhase::none},
              {"line_permits", snapshot.permit},
              {"limit", forces ? Json(plan.limits[proof.limit].id) : Json(nullptr)},
              {"injected", proof.injects ? json_number(proof.injected) : Json(nullptr)},
              {"enable_sense", plan.roles.enable_sense.has_value()},
              {"release_s", snapshot.release ? Json(core::seconds(*snapshot.release)) : Json(nullptr)}};
    if (context.proof) {
        json["last"] = context.proof->last.empty() ? Json(nullptr) : Json(context.proof->last);
        json["due"] = context.proof->due.empty() ? Json(nullptr) : Json(context.proof->due);
        json["overdue"] = context.proof->overdue;
        json["text"] = context.proof->words;
    }
    return json;
}

Json kept_json(const std::optional<StatusContext::Kept>& kept) {
    if (!kept) return nullptr;
    return {{"captures", kept->captures},
            {"waiting", kept->waiting},
            {"dropped", kept->dropped},
            {"failed_writes", kept->failed_writes},
            {"lost_steps", kept->lost_steps}};
}

}  // namespace

nlohmann::ordered_json channels_json(const core::Plan& plan, const core::Snapshot& snapshot) {
    Json list = Json::array();
    for (std::size_t i = 0; i < std::min(plan.channels.size(), snapshot.channels.size()); ++i) {
        const core::ChannelCount& count = snapshot.channels[i];
        list.push_back({{"id", plan.channels[i].id},
                        {"good_keyed", count.good_keyed},
                        {"good_idle", count.good_idle},
                        {"faults_keyed", count.faults_keyed},
                        {"faults_idle", count.faults_idle},
                        {"last_fault", core::text(count.last_fault)},
                        {"frozen", count.frozen}});
    }
    return list;
}

nlohmann::ordered_json status_json(const Configuration& configuration, const core::Snapshot& snapshot,
                                   const StatusContext& context) {
    const core::Plan& plan = configuration.plan;
    const core::Memory& memory = snapshot.memory;
    const std::string advice = back_off_text(plan, snapshot);
    return {
        {"id", configuration.id},
        {"name", configuration.name},
        {"version", context.version},
        {"now_s", core::seconds(snapshot.now.time_since_epoch())},
        {"sequence", snapshot.sequence},
        {"permit", may_transmit(snapshot)},
        {"state", core::text(snapshot.state)},
        {"reason", reason(plan, snapshot)},
        {"advice", advice.empty() ? Json(nullptr) : Json(advice)},
        {"line", context.line},
        {"monitor_only", snapshot.monitor_only},
        {"commissioning_left_s", snapshot.commissioning_until
                                     ? Json(std::max(0.0, core::seconds(*snapshot.commissioning_until - snapshot.now)))
                                     : Json(nullptr)},
        {"rf_present", snapshot.rf_present},
        {"contactor_closed", plan.supervision.contactor ? Json(snapshot.contactor_closed) : Json(nullptr)},
        {"causes", causes_json(plan, snapshot)},
        {"quantities", quantities_json(plan, snapshot)},
        {"limits", limits_json(configuration, snapshot)},
        {"channels", channels_json(plan, snapshot)},
        {"laws", laws_json(plan)},
        {"guard",
         {{"overruns", snapshot.overruns},
          {"realtime", context.realtime},
          {"memory_locked", context.memory_locked},
          {"events_dropped", snapshot.events_dropped}}},
        {"mqtt", context.broker_connected ? Json{{"connected", *context.broker_connected}} : Json(nullptr)},
        {"kept", kept_json(context.kept)},
        {"proof", proof_json(plan, snapshot, context)},
        {"memory",
         {{"first_start", memory.first_start},
          {"unreadable", memory.unreadable},
          {"locked_out", memory.locked_out},
          {"held_locally", memory.held_locally},
          {"held_remotely", memory.held_remotely},
          {"saved", !context.unsaved_s.has_value()},
          {"unsaved_s", optional_number(context.unsaved_s)}}},
        {"settling_left_s", core::seconds(settling_left(plan, snapshot).value_or(core::Duration::zero()))}};
}

std::string to_line(const nlohmann::ordered_json& json) {
    return json.dump(-1, ' ', false, Json::error_handler_t::replace);
}

}  // namespace dekeyd::formats
