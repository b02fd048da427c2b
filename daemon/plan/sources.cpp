#include "plan/sources.hpp"

#include <algorithm>

namespace dekeyd::core {

BuiltinInfo describe(Builtin builtin) noexcept {
    switch (builtin) {
        case Builtin::overrun: return {"guard-overrun", "the guard's own deadline"};
        case Builtin::line_mismatch: return {"line-mismatch", "the inhibit line's read-back", true};
        case Builtin::enable_mismatch: return {"enable-mismatch", "the enable voltage after the contact", true};
        case Builtin::rf_while_inhibited: return {"rf-while-inhibited", "RF while inhibited", true};
        case Builtin::contactor_open: return {"contactor-open", "the supply contactor", false, false};
        case Builtin::contactor_line_mismatch:
            return {"contactor-line-mismatch", "the contactor line's read-back", true};
        case Builtin::contactor_stuck_closed:
            return {"contactor-stuck-closed", "the supply contactor, closed against its order", true};
        case Builtin::contactor_stuck_open:
            return {"contactor-stuck-open", "the supply contactor, open against its order"};
        case Builtin::reflected_exceeds_forward:
            return {"reflected-exceeds-forward", "reflected power at or above forward", true, true, true};
        case Builtin::drive_without_forward:
            return {"drive-without-forward", "drive with no forward power", true, true, true};
        case Builtin::current_without_forward:
            return {"current-without-forward", "supply current with no forward power", true, true, true};
        case Builtin::rf_without_current:
            return {"rf-without-current", "more RF than the supply delivers", true, true, true};
        case Builtin::reflected_on_floor:
            return {"reflected-on-floor", "reflected power lower than any antenna's", true, true, true};
        case Builtin::heat_without_rise:
            return {"heat-without-rise", "heat with no rise in temperature", true, true, true};
        case Builtin::longest_transmission: return {"longest-transmission", "the longest transmission", false, false};
        case Builtin::uncalibrated: return {"uncalibrated", "a detector that waits for its calibration", false, false};
        case Builtin::start_not_stored:
            return {"start-not-stored", "the storage, which hasn't taken this start yet", false, false};
        case Builtin::second_opinion: return {"second-opinion", "the second opinion against the decision", true};
        case Builtin::suspended: return {"suspended", "the sleep of the machine", true};
        case Builtin::count_: break;
    }
    return {"none", "none"};
}

SourceInfo describe_source(const Plan& plan, SourceIndex source) noexcept {
    std::size_t index = source;
    if (index < plan.limits.size()) {
        const LimitPlan& limit = plan.limits[index];
        const std::string& name = limit.name.empty() ? limit.id : limit.name;
        return {limit.id,
                name,
                SourceInfo::Kind::limit,
                static_cast<std::uint16_t>(index),
                limit.rearm == Rearm::latched,
                limit.counted};
    }
    index -= plan.limits.size();
    if (index < plan.channels.size()) {
        const Channel& channel = plan.channels[index];
        const std::string& name = channel.name.empty() ? channel.id : channel.name;
        return {channel.id, name, SourceInfo::Kind::channel, static_cast<std::uint16_t>(index)};
    }
    index -= plan.channels.size();
    const BuiltinInfo info = describe(static_cast<Builtin>(std::min(index, builtin_count)));
    return {info.id,      info.name,   SourceInfo::Kind::builtin, static_cast<std::uint16_t>(index),
            info.latches, info.counted};
}

}  // namespace dekeyd::core
