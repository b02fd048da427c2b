#include "core/transmission.hpp"

#include "plan/sources.hpp"

namespace dekeyd::core {

void TransmissionWatch::step(Instant now, RfLook look, EventList& events) noexcept {
    if (look == RfLook::unknown) return;
    const auto report = [&](EventKind kind, SourceIndex source = no_source) {
        events.add({.at = now, .kind = kind, .source = source});
    };
    auto& since = memory_.since;
    memory_.rf_present = look == RfLook::present;
    if (memory_.rf_present) {
        memory_.rf_last_seen = now;
        if (!since) {
            since = now;
            memory_.ending_warned = false;
            report(EventKind::rf_on);
        }
    } else if (since && now - memory_.rf_last_seen >= plan_->rf.hang_time) {
        since.reset();
        report(EventKind::rf_off);
    }
    const SupervisionPlan& rule = plan_->supervision;
    if (since && rule.longest_transmission && !memory_.ending_warned &&
        now - *since >= *rule.longest_transmission - rule.transmission_warning) {
        memory_.ending_warned = true;
        report(EventKind::transmission_ending, source_of(*plan_, Builtin::longest_transmission));
    }
}

}  // namespace dekeyd::core
