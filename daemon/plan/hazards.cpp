#include "plan/hazards.hpp"

#include <algorithm>

#include "plan/standing.hpp"

namespace dekeyd::core {

std::optional<Hazard> hazard_of(const Plan& plan, const LimitPlan& limit) noexcept {
    const bool above = limit.direction == Direction::above;
    const DerivedRule* const rule = rule_of(plan, limit.watch);
    if (plan.roles.reflected == limit.watch || (rule != nullptr && rule->of_match)) return Hazard::reflected;
    if (plan.roles.drive == limit.watch) return above ? std::optional{Hazard::drive} : std::nullopt;
    if (limit.watch >= plan.channels.size()) return std::nullopt;
    switch (plan.channels[limit.watch].kind) {
        case ChannelKind::temperature:
            return above && plan.roles.ambient != limit.watch ? std::optional{Hazard::heat} : std::nullopt;
        case ChannelKind::voltage:
        case ChannelKind::current: return Hazard::supply;
        case ChannelKind::power:
        case ChannelKind::speed:
        case ChannelKind::contact: break;
    }
    return std::nullopt;
}

std::optional<Hazard> hazard_of(const Plan& plan, SourceIndex source) noexcept {
    const SourceInfo info = describe_source(plan, source);
    switch (info.kind) {
        case SourceInfo::Kind::limit: return hazard_of(plan, plan.limits[info.index]);
        case SourceInfo::Kind::channel: return Hazard::sensors;
        case SourceInfo::Kind::builtin: break;
    }
    const bool contradicts = describe(static_cast<Builtin>(info.index)).contradicts;
    return contradicts ? std::optional{Hazard::sensors} : std::nullopt;
}

bool is_watched(const Plan& plan, Hazard hazard, const StagePlan* stage) noexcept {
    return std::any_of(plan.limits.begin(), plan.limits.end(), [&](const LimitPlan& limit) {
        return may_trip(limit, {}) && stage_of(plan, limit.watch) == stage && hazard_of(plan, limit) == hazard;
    });
}

bool is_watched(const Plan& plan, Hazard hazard) noexcept {
    if (hazard == Hazard::sensors) return true;
    return std::any_of(plan.limits.begin(), plan.limits.end(),
                       [&](const LimitPlan& limit) { return may_trip(limit, {}) && hazard_of(plan, limit) == hazard; });
}

}  // namespace dekeyd::core
