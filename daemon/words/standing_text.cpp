#include "words/standing_text.hpp"

#include <fmt/format.h>

#include "words/figures.hpp"

namespace dekeyd::formats {

std::string_view still_in_the_way(core::State state) {
    switch (state) {
        case core::State::locked_out: return " It permits nothing before 'dekeyctl reset': the lockout stands.";
        case core::State::latched:
            return " It permits nothing before 'dekeyctl reset': a latch, or that of the first start, stands.";
        case core::State::held: return " It permits nothing before 'dekeyctl release': a hold stands.";
        default: return "";
    }
}

std::string_view beside_the_hold(core::State state) {
    switch (state) {
        case core::State::locked_out:
            return "the lockout stands too: 'dekeyctl status' says why, 'dekeyctl reset' ends it";
        case core::State::latched: return "a latch stands too: 'dekeyctl status' says which, 'dekeyctl reset' ends it";
        default: break;
    }
    return "a hold over the network or of the start stands too, or the readings still settle: 'dekeyctl status' says "
           "which";
}

// Drive that is measured absent, or a supply that is seen to be off, is what makes it safe to permit for moments.
std::string_view no_proof_here(const core::Plan& plan) {
    if (plan.roles.drive || (plan.supervision.contactor && plan.roles.contactor_sense)) return {};
    return "neither is drive measured here, nor is a supply contactor seen to open, and the line may go to permit only "
           "where one of them tells that nothing can be amplified; expected a sensor with 'role: drive', or a "
           "'contactor:' and a contact sensor with 'role: contactor_sense'. Until then prove it by hand, with the "
           "exciter "
           "disconnected: take off the wire of one sensor after another, and see the amplifier's enable go each time";
}

std::string against_the_proof(const core::Plan& plan, core::ProofEnd why, core::State state, std::string_view source) {
    if (why == core::ProofEnd::drive_present && !no_proof_here(plan).empty()) return std::string{no_proof_here(plan)};
    if (why == core::ProofEnd::cause && source.empty()) return std::string{beside_the_hold(state)};
    std::string words{core::text(why)};
    if (why == core::ProofEnd::commissioning) words += "; 'dekeyctl commission --end' ends it";
    return source.empty() ? words : fmt::format("{} ({})", words, source);
}

std::string edge_in_words(const core::LimitPlan& limit, const core::Reading& reading, core::Unit unit) {
    if (limit.edge == core::Edge::reading || reading.health != core::Health::good) return {};
    const bool above = limit.direction == core::Direction::above;
    if (above ? reading.value >= limit.trip : reading.value <= limit.trip) return {};
    const bool high = limit.edge == core::Edge::high;
    const double end = high ? reading.high : reading.low;
    if (high && end >= core::unbounded) return ", without an upper bound,";
    return fmt::format(", {} {},", high ? "at most" : "at least", with_unit(end, unit));
}

}  // namespace dekeyd::formats
