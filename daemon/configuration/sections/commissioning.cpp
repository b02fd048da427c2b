// commissioning: how RF may flow, and how little of it, before the detectors have been compared with a reference.
#include <algorithm>
#include <array>

#include "configuration/parts.hpp"

namespace dekeyd::formats {
namespace {

using namespace row_units;

constexpr std::array commissioning_rows{
    KeyRow{.path = "commissioning",
           .kind = KeyKind::section,
           .says = "Provisional limits for `dekeyctl commission`: RF to calibrate a detector with; they rest at all "
                   "other times."},
    KeyRow{.path = "commissioning.time",
           .kind = KeyKind::time,
           .need = Need::required,
           .between = fixed(minute, 2 * hour, "a person must be able to stay beside it"),
           .says = "The longest time that a commissioning permits."},
    KeyRow{.path = "commissioning.forward",
           .kind = KeyKind::quantity,
           .dimension = Dimension::power,
           .sign = Sign::positive,
           .when = "where forward power is measured",
           .between = fixed(0.1 * mw, 25 * kw, "no station is commissioned with it"),
           .usual_words = "a quarter of the rated power",
           .says = "At most this forward power, and at most a quarter of the rated."},
    KeyRow{.path = "commissioning.reflected",
           .kind = KeyKind::quantity,
           .dimension = Dimension::power,
           .sign = Sign::positive,
           .when = "where reflected power is measured",
           .between = fixed(0.01 * mw, 25 * kw, "no station is commissioned with it"),
           .usual_words = "a fifth of 'forward' here",
           .says = "At most this reflected power."},
    KeyRow{
        .path = "commissioning.heatsink",
        .kind = KeyKind::quantity,
        .dimension = Dimension::temperature,
        .when = "with a sensor of 'role: heatsink'",
        .between = fixed(30.0, 100.0,
                         "air alone may have 30 degC, and above 100 degC nothing is left for a sensor that is wrong"),
        .usual_words = "20 K below the heatsink's own limit",
        .says = "At most this temperature, below the heatsink's own limit."},
};

// Common practice, no standard: what a wrong detector hides by a few dB is still far below what the amplifier bears.
constexpr double largest_share = 0.25;
constexpr double usual_reflected_share = 0.2;  // of forward's: a VSWR of 2.6
constexpr double usual_heatsink_below_k = 20.0;

void add_limit(Section& section, Draft& draft, std::string_view what, core::QuantityIndex watch, double trip,
               bool rf_off) {
    core::Plan& plan = draft.plan();
    core::LimitPlan limit;
    limit.id = fmt::format("commissioning-{}", what);
    limit.name = fmt::format("{} while commissioning", core::describe(plan, watch).name);
    limit.watch = watch;
    limit.counted = false;          // unknown from its coming into force to its next look, which is no trip
    limit.edge = core::Edge::high;  // the law is the data sheet's: its doubt counts against the amplifier
    limit.trip = trip;
    constexpr double temperature_hysteresis_k = 5.0;
    limit.clear = trip - temperature_hysteresis_k;
    limit.clear_by = rf_off ? core::ClearBy::rf_off : core::ClearBy::level;
    limit.hold_off = std::chrono::seconds{1};
    limit.rearm = core::Rearm::latched;
    limit.provisional = true;
    const bool taken = std::any_of(plan.limits.begin(), plan.limits.end(),
                                   [&](const core::LimitPlan& other) { return other.id == limit.id; });
    if (taken) section.fault(what, fmt::format("a limit has the name '{}' already", limit.id), "another name for it");
    plan.limits.push_back(std::move(limit));
}

void read_heatsink(Section& section, Draft& draft, const std::optional<std::uint16_t>& channel) {
    auto trip = section.quantity("heatsink");
    if (!channel) {
        if (trip) section.fault("heatsink", "no heatsink's temperature is measured", "a sensor with 'role: heatsink'");
        return;
    }
    std::optional<double> own;
    for (const core::LimitPlan& other : draft.plan().limits) {
        if (other.watch != *channel || !other.trips || other.direction != core::Direction::above) continue;
        own = std::min(own.value_or(other.trip), other.trip);
    }
    if (!section.has("heatsink") && own) trip = *own - usual_heatsink_below_k;
    if (trip && own && *trip >= *own) {
        section.fault("heatsink", "not below the heatsink's own limit",
                      fmt::format("less than {}", show(*own, core::Unit::celsius)));
        return;
    }
    const auto& faults = draft.report.faults();
    const bool follows =
        std::any_of(faults.begin(), faults.end(), [](const Fault& fault) { return fault.key.starts_with("limits."); });
    if (!trip && !section.has("heatsink") && !follows)
        section.fault("heatsink", "'heatsink' is missing, and the heatsink has no limit of its own to go by",
                      "a temperature, such as 'heatsink: 50 degC'");
    if (!trip) return;
    add_limit(section, draft, "heatsink", *channel, *trip, false);
}

/// What it trips at, written or `usual_w`.
std::optional<double> read_power(Section& section, Draft& draft, std::string_view key,
                                 const std::optional<std::uint16_t>& channel, std::optional<double> usual_w) {
    auto trip = section.quantity(key);
    if (!section.has(key) && channel) trip = usual_w;
    if (!trip) return std::nullopt;
    if (!channel) {
        section.fault(key, fmt::format("no {} power is measured", key), fmt::format("a sensor with 'role: {}'", key));
        return std::nullopt;
    }
    const double most_w = draft.plan().rf.rated_w * largest_share;
    if (draft.amplifier.rated_w && *trip > most_w) {
        section.fault(key, "too much for a power that was not compared with a reference yet",
                      fmt::format("at most {}, a quarter of the rated power", show(most_w, core::Unit::watt)));
        return std::nullopt;
    }
    add_limit(section, draft, key, *channel, *trip, true);
    return trip;
}

}  // namespace

std::span<const KeyRow> commissioning_keys() {
    return commissioning_rows;
}

void read_commissioning(Section& top, Draft& draft) {
    core::Plan& plan = draft.plan();
    Section section = top.section("commissioning");
    if (section.present()) {
        const auto time = section.duration("time");
        plan.supervision.commissioning = time;
        if (!plan.roles.forward)
            section.fault("forward", "no forward power is measured, so nothing can cap it",
                          "a sensor with 'role: forward'");
        std::optional<double> forward_w;
        if (draft.amplifier.rated_w) forward_w = *draft.amplifier.rated_w * largest_share;
        if (plan.roles.forward) forward_w = read_power(section, draft, "forward", plan.roles.forward, forward_w);
        if (forward_w) forward_w = *forward_w * usual_reflected_share;
        read_power(section, draft, "reflected", plan.roles.reflected, forward_w);
        read_heatsink(section, draft, plan.roles.heatsink);
        section.finish();
    }
    for (std::size_t i = 0; i < draft.sensors.size(); ++i) {
        const auto& chain = plan.channels[i].power;
        if (!chain || !chain->calibration_pending) continue;
        draft.report.advise(draft.sensors[i].place, draft.sensors[i].path,
                            section.present()
                                ? "its calibration is pending: no permit but while commissioning"
                                : "its calibration is pending: no permit, ever; calibrate it from a signal source, or "
                                  "add 'commissioning:' for a permit under provisional limits");
    }
}

}  // namespace dekeyd::formats
