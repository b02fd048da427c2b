// Values that are right alone and wrong beside each other, and hazards that no limit watches. Each is a fault, unless
// the text accepts it by name; a line that is a file (a rehearsal) needs no such names.
#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <string>

#include "configuration/parts.hpp"
#include "core/limit.hpp"
#include "maths/rf.hpp"
#include "plan/hazards.hpp"

namespace dekeyd::formats {
namespace {

using core::Direction;

// Common practice: RF is told from feed-through well below a tenth of what the amplifier gives; half of it is no gate
// for what burns at a quarter.
constexpr double most_present_share = 0.2, most_minimum_share = 0.5, most_gate_share = 0.5, most_drive_share = 0.25;
constexpr double most_present_of_minimum = 0.5;

struct Relations {
    Section& top;
    Draft& draft;
    const core::Plan& plan;

    void unless_accepted(const Section& section, std::string_view key, std::string what, std::string expected) {
        const std::string path = section.path_of(key);
        draft.report.fault_unless_accepted(section.place_of(key), path, path, std::move(what), std::move(expected));
    }

    /// `level` of the amplifier may be at most this share of its `whole`.
    void share(Section& amplifier, std::string_view key, double level, double most, double whole,
               std::string_view consequence) {
        if (!(whole > 0.0) || level <= most * whole) return;
        if (draft.report.has_fault(amplifier.path_of(key))) return;  // told already
        unless_accepted(
            amplifier, key,
            fmt::format("{} of {}: {}", show(level, core::Unit::watt), show(whole, core::Unit::watt), consequence),
            fmt::format("at most {}, {:.0f} % of it", show(most * whole, core::Unit::watt), 100.0 * most));
    }

    void levels() {
        Section amplifier = top.section("amplifier", Need::optional);
        const core::RfPlan& rf = plan.rf;
        if (plan.roles.forward && draft.amplifier.rf_levels_known) {
            share(amplifier, "rf_present", rf.rf_present_w, most_present_share, rf.rated_w,
                  "less than that would count as no RF");
            share(amplifier, "minimum_forward", rf.minimum_forward_w, most_minimum_share, rf.rated_w,
                  "below it no VSWR is worked out");
            share(amplifier, "rf_present", rf.rf_present_w, most_present_of_minimum, rf.minimum_forward_w,
                  "between the two no VSWR is worked out, and RF that is there may count as none");
        }
        if (plan.roles.drive && draft.amplifier.maximum_drive_w)
            share(amplifier, "drive_absent", rf.drive_absent_w, most_drive_share, *draft.amplifier.maximum_drive_w,
                  "less than that would count as no drive");
    }

    void gates() {
        const auto forward = plan.roles.forward;
        if (!forward || !draft.amplifier.rf_levels_known) return;
        Section limits = top.section("limits", Need::optional);
        for (const core::LimitPlan& limit : plan.limits) {
            if (!core::may_trip(limit, {}) || !limit.gate || limit.gate->quantity != *forward) continue;
            const double level = limit.gate->level;
            if (limit.gate->open != Direction::above || level <= most_gate_share * plan.rf.rated_w) continue;
            Section section = limits.section(limit.id, Need::optional);
            unless_accepted(section, "while",
                            fmt::format("the limit rests below {} forward, of {} rated", show(level, core::Unit::watt),
                                        show(plan.rf.rated_w, core::Unit::watt)),
                            fmt::format("at most {}", show(most_gate_share * plan.rf.rated_w, core::Unit::watt)));
        }
    }

    /// A trip that the sensor can't show: its window ends before, and beyond the window nothing is measured.
    void trips_inside_windows() {
        Section limits = top.section("limits", Need::optional);
        for (const core::LimitPlan& limit : plan.limits) {
            if (!core::may_trip(limit, {}) || limit.watch >= plan.channels.size()) continue;
            const core::Channel& channel = plan.channels[limit.watch];
            const bool scaled = !channel.power && channel.kind != core::ChannelKind::contact && channel.gain != 0.0;
            if (!scaled || !(channel.valid_low < channel.valid_high)) continue;
            const double one = (channel.valid_low - channel.zero) * channel.gain;
            const double other = (channel.valid_high - channel.zero) * channel.gain;
            if (limit.trip > std::min(one, other) && limit.trip < std::max(one, other)) continue;
            const core::Unit unit = core::describe(plan, limit.watch).unit;
            Section section = limits.section(limit.id, Need::optional);
            const std::string_view key = limit.direction == Direction::above ? "above" : "below";
            section.fault(
                key,
                fmt::format("'{}' is measured from {} to {}: a trip at {} is never seen", channel.id,
                            show(std::min(one, other), unit), show(std::max(one, other), unit), show(limit.trip, unit)),
                "a trip inside the sensor's 'valid:', or a wider 'valid:' where the sensor has it");
        }
    }

    /// The volts that a detector gives at both ends of its range lie in the window in which they are believed.
    void laws_inside_windows() {
        Section sensors = top.section("sensors", Need::optional);
        for (std::size_t i = 0; i < plan.channels.size(); ++i) {
            const core::Channel& channel = plan.channels[i];
            if (!channel.power) continue;
            const bool given = channel.valid_low < channel.valid_high;
            constexpr double room_v = 0.02;  // a data sheet's spread; no detector gives a negative voltage
            const double low = given ? channel.valid_low - room_v : -room_v;
            const double high = given ? channel.valid_high + room_v : HUGE_VAL;
            const double floor = core::detector_volts(channel.power->detector, channel.power->floor_dbm);
            const double ceiling = core::detector_volts(channel.power->detector, channel.power->ceiling_dbm);
            const auto outside = [&](double volts) { return !(volts >= low && volts <= high); };
            if (!outside(floor) && !outside(ceiling)) continue;
            Section sensor = sensors.section(channel.id, Need::optional);
            Section detector = sensor.section("detector", Need::optional);
            const std::string gives = fmt::format("the detector's law gives {} at its floor and {} at its ceiling",
                                                  show(floor, core::Unit::volt), show(ceiling, core::Unit::volt));
            const bool sloped = detector.has("slope") && outside(floor) && outside(ceiling);
            if (sloped)
                detector.fault("slope", gives, "a slope of the other sign, or another intercept: see its data sheet");
            else if (given)
                sensor.fault(
                    "valid",
                    fmt::format("{}, and only {} to {} would be believed", gives,
                                show(channel.valid_low, core::Unit::volt), show(channel.valid_high, core::Unit::volt)),
                    "a window with room around both");
        }
    }

    void lockout() {
        if (plan.interlock.lockout_trips < 2) return;
        core::Duration quickest = core::Duration::max();
        for (const core::LimitPlan& limit : plan.limits) {
            if (core::may_trip(limit, {}) && limit.counted && limit.rearm == core::Rearm::automatic)
                quickest = std::min(quickest, limit.hold_off + limit.qualify);
        }
        const core::Duration window = plan.interlock.lockout_window;
        if (quickest == core::Duration::max() || quickest <= window / (plan.interlock.lockout_trips - 1)) return;
        Section section = top.section("lockout", Need::optional);
        unless_accepted(section, "window",
                        fmt::format("{} trips never come within {}: the quickest limit trips again after {} at best",
                                    plan.interlock.lockout_trips, show(window), show(quickest)),
                        fmt::format("at least {}", show(quickest * (plan.interlock.lockout_trips - 1))));
    }

    void hazard(const std::string& word, std::string what, std::string expected) {
        Section limits = top.section("limits", Need::optional);
        draft.report.fault_unless_accepted(limits.place(), "limits", word, std::move(what), std::move(expected));
    }

    /// What a stage measures, a limit in it trips on.
    void hazards_of(const core::StagePlan& stage) {
        using core::ChannelKind;
        using core::Hazard;
        const auto measures = [&](auto... kinds) {
            return std::any_of(plan.channels.begin(), plan.channels.end(), [&](const core::Channel& channel) {
                const auto index = static_cast<core::QuantityIndex>(&channel - plan.channels.data());
                return core::stage_of(plan, index) == &stage && ((channel.kind == kinds) || ...);
            });
        };
        const std::string word = "stages." + stage.id;
        if (measures(ChannelKind::temperature) && !core::is_watched(plan, Hazard::heat, &stage))
            hazard(word + ".no-heat-limit", fmt::format("no limit trips on the heat of the stage '{}'", stage.id),
                   "a limit that trips on its temperature");
        if (measures(ChannelKind::voltage, ChannelKind::current) && !core::is_watched(plan, Hazard::supply, &stage))
            hazard(word + ".no-supply-limit",
                   fmt::format("no limit trips on the supply's voltage or current of the stage '{}'", stage.id),
                   "a limit that trips on one of them");
    }

    void hazards() {
        using core::Hazard;
        // By the amplifier's own limits: one on a driver's heat leaves the amplifier's unwatched.
        const auto watched = [&](Hazard one) { return core::is_watched(plan, one, nullptr); };
        if (!watched(Hazard::heat))
            hazard("no-heat-limit", "no limit trips on heat", "a limit that trips on the heatsink's temperature");
        if (!watched(Hazard::reflected))
            hazard("no-reflected-limit", "no limit trips on reflected power or VSWR",
                   "a limit that trips on reflected power, and one on VSWR");
        if (plan.roles.drive && !watched(Hazard::drive))
            hazard("no-drive-limit", "drive is measured, and no limit trips on too much of it",
                   "a limit that trips on drive");
        if (!watched(Hazard::supply))
            hazard("no-supply-limit", "no limit trips on the supply's voltage or current",
                   "a limit that trips on the supply");
        for (const core::StagePlan& stage : plan.stages) hazards_of(stage);
        const bool required = std::any_of(plan.channels.begin(), plan.channels.end(),
                                          [](const core::Channel& channel) { return channel.required; });
        Section sensors = top.section("sensors", Need::optional);
        if (!required && !plan.channels.empty())
            draft.report.fault_unless_accepted(sensors.place(), "sensors", "no-required-sensor",
                                               "every sensor may be lost without inhibiting",
                                               "'required: yes' for those that protect");
    }
};

}  // namespace

void check_relations(Section& top, Draft& draft) {
    if (draft.report.bench) return;
    Relations relations{top, draft, draft.configuration.plan};
    relations.levels();
    if (!draft.report.faults().empty()) return;  // what another fault decides can't be judged
    relations.gates();
    relations.trips_inside_windows();
    relations.laws_inside_windows();
    relations.lockout();
    if (draft.report.faults().empty()) relations.hazards();
}

}  // namespace dekeyd::formats
