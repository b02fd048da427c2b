#include "configuration/checks/limits.hpp"

#include <array>
#include <cmath>

#include "maths/rf.hpp"

namespace dekeyd::formats {

using core::Derived;
using core::Direction;

namespace {

/// What the operator adds for an input that is missing.
std::string_view remedy(core::Input input) {
    switch (input) {
        case core::Input::forward: return "a sensor with 'role: forward'";
        case core::Input::reflected: return "a sensor with 'role: reflected'";
        case core::Input::drive: return "a sensor with 'role: drive'";
        case core::Input::supply: return "a sensor with 'role: supply'";
        case core::Input::current: return "a sensor with 'role: current'";
        case core::Input::heatsink: return "a sensor with 'role: heatsink'";
        case core::Input::ambient: return "a sensor with 'role: ambient'";
        case core::Input::small_signal_gain: return "'small_signal_gain:' under 'amplifier:'";
        case core::Input::feeder_loss: return "'feeder_loss:' under 'amplifier:'";
        case core::Input::circulator_load_time: return "a circulator before the coupler";
        case core::Input::level:
        case core::Input::heatsink_trip:
        case core::Input::count_: break;
    }
    return "";
}

/// What is missing to work a quantity out; nothing where it is complete or a sensor's own.
std::string missing_for(const Draft& draft, core::QuantityIndex quantity) {
    const core::Plan& plan = draft.configuration.plan;
    const core::DerivedRule* rule = core::rule_of(plan, quantity);
    if (rule == nullptr) return {};
    std::vector<std::string_view> missing;
    for (std::size_t i = 0; i < core::input_count; ++i) {
        const auto input = static_cast<core::Input>(i);
        // Other limits may come later in the text.
        const bool of_limits = input == core::Input::level || input == core::Input::heatsink_trip;
        if (!of_limits && rule->wants(input) && !core::has(plan, input)) missing.push_back(remedy(input));
    }
    return fmt::format("{}", fmt::join(missing, " and "));
}

/// Slow estimates are shown where they can be, and may warn; they never decide. Compression tells of the signal's
/// cleanliness, which is no danger.
bool may_only_warn(const core::Plan& plan, core::QuantityIndex quantity) {
    const core::DerivedRule* rule = core::rule_of(plan, quantity);
    return rule != nullptr && !rule->may_trip;
}

/// A quantity that nothing feeds stays unknown for ever, and unknown inhibits.
void check_inputs(Section& section, std::string_view key, const Draft& draft, core::QuantityIndex watch) {
    if (std::string missing = missing_for(draft, watch); !missing.empty())
        section.fault(key,
                      fmt::format("'{}' can't be worked out from what is measured",
                                  core::describe(draft.configuration.plan, watch).id),
                      std::move(missing));
}

bool safe_side(const core::LimitPlan& limit, double level) {
    return limit.direction == Direction::above ? level < limit.trip : level > limit.trip;
}

void check_sides(Section& section, const core::LimitPlan& limit, const LimitFacts& facts, core::Unit unit) {
    if (!facts.trip_known) return;
    const std::string_view side = limit.direction == Direction::above ? "below" : "above";
    if (facts.clear_known && !safe_side(limit, limit.clear))
        section.fault("clear",
                      fmt::format("the clear level of {} is not on the safe side of the trip at {}",
                                  show(limit.clear, unit), show(limit.trip, unit)),
                      fmt::format("a clear level {} {}, with room between for the reading to move in", side,
                                  show(limit.trip, unit)));
    if (limit.trips && limit.warn && !safe_side(limit, *limit.warn))
        section.fault("warn",
                      fmt::format("the warn level of {} is not on the safe side of the trip at {}",
                                  show(*limit.warn, unit), show(limit.trip, unit)),
                      fmt::format("a warn level {} {}", side, show(limit.trip, unit)));
}

void check_vswr(Section& section, const Draft& draft, const core::LimitPlan& limit, const LimitFacts& facts) {
    if (!facts.trip_known) return;
    const core::Plan& plan = draft.configuration.plan;
    const bool vswr = limit.watch == plan.index(Derived::vswr);
    const bool reflection = limit.watch == plan.index(Derived::reflection);
    const double loss = plan.rf.feeder_loss_db;
    if (!(loss > 0.0)) return;
    const double most = core::lost_antenna_reflection(loss);
    const std::string behind = fmt::format("behind {} of feeder", show(loss, core::Unit::decibel));
    constexpr std::string_view mend =
        "a trip that a lost antenna would reach, with a margin; or the coupler at the antenna";
    const double most_vswr = (1.0 + most) / (1.0 - most);
    if (vswr && limit.direction == Direction::above && limit.trip >= most_vswr)
        section.fault(facts.trip_key,
                      fmt::format("{} a lost antenna reads VSWR {:.2f}, so a trip at {} would never act", behind,
                                  most_vswr, show(limit.trip, core::Unit::none)),
                      std::string{mend});
    if (reflection && limit.direction == Direction::above && limit.trip >= most)
        section.fault(facts.trip_key, fmt::format("{} a lost antenna reads {:.3f}", behind, most), std::string{mend});
    const bool return_loss = limit.watch == plan.index(Derived::return_loss);
    if (return_loss && limit.direction == Direction::below && limit.trip <= 2.0 * loss)
        section.fault(
            facts.trip_key,
            fmt::format("{} a lost antenna reads a return loss of {}", behind, show(2.0 * loss, core::Unit::decibel)),
            std::string{mend});
}

void check_gate(Section& section, Draft& draft, const core::LimitPlan& limit, const LimitFacts& facts) {
    if (!limit.gate || facts.gate_place.line == 0) return;
    const core::Plan& plan = draft.configuration.plan;
    const auto info = core::describe(plan, limit.gate->quantity);
    const auto fault = [&](std::string what, std::string expected) {
        draft.report.fault(facts.gate_place, section.path_of("while"), std::move(what), std::move(expected));
    };
    if (limit.trips && may_only_warn(plan, limit.gate->quantity)) {
        fault(fmt::format("'{}' is no measurement that a trip may rest on", info.id), "a measured quantity");
        return;
    }
    // Each other quantity that may open the gate opens it on a key ramp too, where the quantity is not measurable yet.
    const bool by_forward = plan.roles.forward == limit.gate->quantity;
    const core::DerivedRule* rule = core::rule_of(plan, limit.gate->quantity);
    const bool with_forward =
        limit.gate->open == Direction::above && (by_forward || (rule != nullptr && rule->with_rf));
    if (limit.trips && !with_forward && draft.amplifier.rf_levels_known && needs_forward_power(draft, limit.watch)) {
        fault(fmt::format("the gate may stand open on a key ramp, but '{}' is not measurable below {} forward, and "
                          "an unknown reading inhibits",
                          core::describe(plan, limit.watch).id, show(plan.rf.minimum_forward_w, core::Unit::watt)),
              fmt::format("'while: {{quantity: {}, above: {}}}', or more",
                          plan.roles.forward ? plan.channels[*plan.roles.forward].id : "forward",
                          show(plan.rf.minimum_forward_w, core::Unit::watt)));
        return;
    }
    if (limit.gate->quantity >= plan.channels.size()) {
        if (std::string missing = missing_for(draft, limit.gate->quantity); !missing.empty())
            fault(fmt::format("'{}' can't be worked out from what is measured", info.id), std::move(missing));
        return;
    }
    const core::Channel& channel = plan.channels[limit.gate->quantity];
    const bool above = limit.gate->open == Direction::above;
    if (channel.power && above && limit.gate->level <= line_floor_w(*channel.power))
        fault(fmt::format("{} is not above the {} that '{}' shows at its floor", show(limit.gate->level, info.unit),
                          show(line_floor_w(*channel.power), info.unit), info.id),
              "a higher level: the gate could never be seen to be closed");
    // Between RF present and the minimum for ratios the quantity is neither measurable nor excused.
    const bool forward = plan.roles.forward == limit.gate->quantity;
    if (forward && above && draft.amplifier.rf_levels_known && needs_forward_power(draft, limit.watch) &&
        limit.gate->level < plan.rf.minimum_forward_w)
        fault(fmt::format("the limit would watch from {} forward, but '{}' is not measurable below {}, and an unknown "
                          "value inhibits",
                          show(limit.gate->level, core::Unit::watt), core::describe(plan, limit.watch).id,
                          show(plan.rf.minimum_forward_w, core::Unit::watt)),
              fmt::format("at least {}", show(plan.rf.minimum_forward_w, core::Unit::watt)));
}

/// Room for the reading to move in; a trip and a clear a hair apart chatter.
bool too_near(const core::LimitPlan& limit, core::Unit unit) {
    const double room = std::fabs(limit.trip - limit.clear);
    constexpr double least_k = 3.0, least_db = 0.5, least_share = 0.02;
    if (unit == core::Unit::celsius) return room < least_k;
    if (unit == core::Unit::decibel || unit == core::Unit::dbm) return room < least_db;
    return room < least_share * std::fabs(limit.trip);
}

void advise(Section& section, Draft& draft, const core::LimitPlan& limit, const LimitFacts& facts, core::Unit unit) {
    const core::Plan& plan = draft.configuration.plan;
    if (limit.trips && facts.trip_known && facts.clear_known && safe_side(limit, limit.clear) && too_near(limit, unit))
        draft.report.advise(
            section.place_of("clear"), section.path_of("clear"),
            fmt::format("{} is very near the trip at {}: the reading's own noise may trip and clear it in turn",
                        show(limit.clear, unit), show(limit.trip, unit)));
    if (!limit.trips) return;
    const bool vswr = limit.watch == plan.index(Derived::vswr) || limit.watch == plan.index(Derived::antenna_vswr);
    if (vswr && limit.rearm == core::Rearm::automatic)
        draft.report.advise(
            section.place_of("rearm"), section.path_of("rearm"),
            "a VSWR that re-arms by itself: once de-keyed it can't be seen to be mended, so each try sends "
            "full power into the fault until the lockout");
    if (vswr && facts.trip_known && plan.rf.directivity_db && limit.direction == Direction::above) {
        const double leak = std::pow(10.0, -*plan.rf.directivity_db / 20.0);
        const double perfect = (1.0 + leak) / (1.0 - leak);
        if (limit.watch == plan.index(Derived::vswr) && limit.trip <= perfect)
            draft.report.advise(
                section.place_of(facts.trip_key), section.path(),
                fmt::format("with {} of directivity a perfect load may read {:.2f}, so this trips on good "
                            "antennas",
                            show(*plan.rf.directivity_db, core::Unit::decibel), perfect));
    }
    if (limit.watch >= plan.channels.size() || !facts.trip_known || limit.direction != Direction::above) return;
    const core::Channel& channel = plan.channels[limit.watch];
    if (channel.power && limit.trip > line_ceiling_w(*channel.power))
        draft.report.advise(section.place_of(facts.trip_key), section.path(),
                            fmt::format("the chain can tell no more than {}, so it trips there already",
                                        show(line_ceiling_w(*channel.power), core::Unit::watt)));
    if (channel.power && limit.trip <= line_floor_w(*channel.power))
        section.fault(
            facts.trip_key,
            fmt::format("{} is not above the {} that '{}' shows at its floor: it would trip with no power at all",
                        show(limit.trip, unit), show(line_floor_w(*channel.power), unit), channel.id),
            "a higher trip");
}

/// An end of the interval says something only where the interval is known.
void check_edge(Section& section, const Draft& draft, const core::LimitPlan& limit) {
    if (limit.edge == core::Edge::reading) return;
    const core::Plan& plan = draft.configuration.plan;
    const core::DerivedRule* rule = core::rule_of(plan, limit.watch);
    if (rule == nullptr || !rule->by_directivity() || plan.rf.directivity_db) return;
    section.fault("edge", "without directivity the interval reaches from a perfect load to a lost one",
                  "'directivity: 30 dB' under 'amplifier:', or 'edge: reading'");
}

}  // namespace

void check_limit(Section& section, Draft& draft, const core::LimitPlan& limit, const LimitFacts& facts) {
    if (limit.trips && may_only_warn(draft.configuration.plan, limit.watch)) {
        section.fault(
            "watch",
            fmt::format("'{}' may warn, and never trips", core::describe(draft.configuration.plan, limit.watch).id),
            "'warn_only: yes', or a measured quantity");
        return;
    }
    check_edge(section, draft, limit);
    const core::Unit unit = core::describe(draft.configuration.plan, limit.watch).unit;
    check_inputs(section, "watch", draft, limit.watch);
    check_sides(section, limit, facts, unit);
    check_vswr(section, draft, limit, facts);
    check_gate(section, draft, limit, facts);
    advise(section, draft, limit, facts, unit);
}

}  // namespace dekeyd::formats
