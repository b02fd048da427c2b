#include "messages/snapshot_json.hpp"

#include <algorithm>
#include <cmath>
#include <nlohmann/json.hpp>

#include "configuration/calibration.hpp"
#include "configuration/delay.hpp"
#include "messages/overview.hpp"
#include "words/advice_text.hpp"
#include "words/reason.hpp"

namespace dekeyd::formats {
namespace {

using Json = nlohmann::ordered_json;

std::vector<CauseStatus> causes_of(const core::Plan& plan, const core::Snapshot& snapshot) {
    std::vector<CauseStatus> list;
    for (std::size_t i = 0; i < snapshot.causes.size(); ++i) {
        const core::Cause& cause = snapshot.causes[i];
        if (!cause.active) continue;
        const auto source = static_cast<core::SourceIndex>(i);
        const core::SourceInfo info = core::describe_source(plan, source);
        list.push_back({.id = std::string{info.id},
                        .name = std::string{info.name},
                        .kind = std::string{core::source_kind_words.of(info.kind)},
                        .condition = std::string{core::text(cause.condition)},
                        .active = cause.active,
                        .latched = cause.latched,
                        .first = cause.first,
                        .since_s = core::seconds(snapshot.now - cause.since),
                        .hold_off_left_s = hold_off_left_s(plan, snapshot, source)});
    }
    return list;
}

std::vector<QuantityStatus> quantities_of(const core::Plan& plan, const core::Snapshot& snapshot) {
    std::vector<QuantityStatus> list;
    for (std::size_t i = 0; i < std::min(snapshot.quantities.size(), plan.quantity_count()); ++i) {
        const core::Reading& reading = snapshot.quantities[i];
        const core::QuantityInfo info = core::describe(plan, static_cast<core::QuantityIndex>(i));
        QuantityStatus& one = list.emplace_back();
        one.id = info.id;
        one.name = info.name;
        one.unit = core::symbol(info.unit);
        if (const core::StagePlan* const stage = core::stage_of(plan, static_cast<core::QuantityIndex>(i)))
            one.stage = stage->id;
        if (reading.measured() || reading.health == core::Health::above_range) {
            one.value = reading.value;
            one.low = reading.low;
            one.high = reading.high;
        }
        one.health = core::text(reading.health);
        one.fault = core::text(reading.fault);
        if (reading.taken != core::Instant{}) one.age_s = std::max(0.0, core::seconds(snapshot.now - reading.taken));
    }
    return list;
}

std::vector<LimitStatus> limits_of(const Configuration& configuration, const core::Snapshot& snapshot) {
    const core::Plan& plan = configuration.plan;
    std::vector<LimitStatus> list;
    for (std::size_t i = 0; i < std::min(plan.limits.size(), snapshot.causes.size()); ++i) {
        const core::LimitPlan& limit = plan.limits[i];
        LimitStatus& one = list.emplace_back(planned_limit(plan, limit));
        one.reaction_s = core::seconds(worst_delay(configuration, limit).total());
        one.provable = core::Proof::provable(limit);
        one.standing = core::text(snapshot.standing[i]);
        one.rests = core::rests(snapshot.standing[i]);
        one.condition = core::text(snapshot.causes[i].condition);
        one.active = snapshot.causes[i].active;
        one.warning = i < snapshot.warnings.size() && snapshot.warnings[i] != 0;
    }
    return list;
}

/// Of each power, by its sensor: what tells its way from volts to watts from another.
std::map<std::string, std::string> laws_of(const core::Plan& plan) {
    std::map<std::string, std::string> laws;
    for (const core::Channel& channel : plan.channels)
        if (channel.power) laws[channel.id] = chain_id(*channel.power);
    return laws;
}

ProofTestStatus proof_of(const core::Plan& plan, const core::Snapshot& snapshot, const StatusContext& context) {
    const core::ProofView& proof = snapshot.proof;
    ProofTestStatus status;
    status.phase = core::text(proof.phase);
    status.running = proof.phase != core::ProofPhase::none;
    status.line_permits = snapshot.permit;
    if (proof.phase == core::ProofPhase::limit) status.limit = plan.limits[proof.limit].id;
    if (proof.injects) status.injected = proof.injected;
    status.enable_sense = plan.roles.enable_sense.has_value();
    if (snapshot.release) status.release_s = core::seconds(*snapshot.release);
    if (!context.proof) return status;
    if (!context.proof->last.empty()) status.last = context.proof->last;
    if (!context.proof->due.empty()) status.due = context.proof->due;
    status.overdue = context.proof->overdue;
    status.text = context.proof->words;
    return status;
}

}  // namespace

std::vector<ChannelCount> channel_counts(const core::Plan& plan, const core::Snapshot& snapshot) {
    std::vector<ChannelCount> list;
    for (std::size_t i = 0; i < std::min(plan.channels.size(), snapshot.channels.size()); ++i) {
        const core::ChannelCount& count = snapshot.channels[i];
        list.push_back({.id = plan.channels[i].id,
                        .good_keyed = count.good_keyed,
                        .good_idle = count.good_idle,
                        .faults_keyed = count.faults_keyed,
                        .faults_idle = count.faults_idle,
                        .last_fault = std::string{core::text(count.last_fault)},
                        .frozen = count.frozen});
    }
    return list;
}

Status status_of(const Configuration& configuration, const core::Snapshot& snapshot, const StatusContext& context) {
    const core::Plan& plan = configuration.plan;
    const core::Memory& memory = snapshot.memory;
    Status status;
    status.id = configuration.id;
    status.name = configuration.name;
    status.version = context.version;
    status.now_s = core::seconds(snapshot.now.time_since_epoch());
    status.sequence = snapshot.sequence;
    status.permit = may_transmit(snapshot);
    status.state = core::text(snapshot.state);
    status.reason = reason(plan, snapshot, context.notes, context.wall);
    if (std::string advice = advice_text(plan, snapshot); !advice.empty()) status.advice = std::move(advice);
    status.line = context.line;
    status.monitor_only = snapshot.monitor_only;
    if (snapshot.commissioning_until)
        status.commissioning_left_s = std::max(0.0, core::seconds(*snapshot.commissioning_until - snapshot.now));
    status.rf_present = snapshot.rf_present;
    if (plan.supervision.contactor) status.contactor_closed = snapshot.contactor_closed;
    status.causes = causes_of(plan, snapshot);
    status.quantities = quantities_of(plan, snapshot);
    status.limits = limits_of(configuration, snapshot);
    status.channels = channel_counts(plan, snapshot);
    status.laws = laws_of(plan);
    status.guard = {.overruns = snapshot.overruns,
                    .realtime = context.realtime,
                    .memory_locked = context.memory_locked,
                    .events_dropped = snapshot.events_dropped};
    status.mqtt = context.mqtt;
    status.kept = context.kept;
    status.proof = proof_of(plan, snapshot, context);
    status.memory = {.first_start = memory.first_start,
                     .unreadable = memory.unreadable,
                     .locked_out = memory.locked_out,
                     .held_locally = memory.held_locally,
                     .held_remotely = memory.held_remotely,
                     .saved = !context.unsaved_s.has_value(),
                     .unsaved_s = context.unsaved_s};
    status.holds = holds_of(snapshot.memory, context.notes, context.wall);
    status.settling_left_s = core::seconds(settling_left(plan, snapshot).value_or(core::Duration::zero()));
    return status;
}

nlohmann::ordered_json status_json(const Configuration& configuration, const core::Snapshot& snapshot,
                                   const StatusContext& context) {
    return to_json(status_of(configuration, snapshot, context));
}

std::string to_line(const nlohmann::ordered_json& json) {
    return json.dump(-1, ' ', false, Json::error_handler_t::replace);
}

}  // namespace dekeyd::formats
