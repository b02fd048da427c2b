// limits: what is watched, where it trips, and how it is left again.
#include <algorithm>
#include <array>
#include <cmath>

#include "configuration/checks/limits.hpp"
#include "configuration/parts.hpp"
#include "configuration/sections/limit_level.hpp"

namespace dekeyd::formats {

using core::Direction;

namespace {

using namespace row_units;

constexpr std::array edge_words{Word{"reading", core::Edge::reading}, Word{"low", core::Edge::low},
                                Word{"high", core::Edge::high}};
constexpr std::array clear_words{Word{"rf off", core::ClearBy::rf_off}, Word{"RF off", core::ClearBy::rf_off},
                                 Word{"rf_off", core::ClearBy::rf_off}};

constexpr std::string_view fast_quantities =
    "power vswr reflection return-loss mismatch-loss net-power antenna-vswr antenna-power";
constexpr std::string_view slow_sum = "gain compression dc-power efficiency heat circulator-load";
constexpr std::array qualify_times{
    KindBetween{fast_quantities,
                Dimension::time,
                {0.0, 250 * ms, 0.0, 10.0, "a lost antenna or too much drive burns a transistor within a second"}},
    KindBetween{"current",
                Dimension::time,
                {0.0, 1.0, 0.0, patient, "a transistor that draws too much is lost within a second"}},
    KindBetween{"voltage",
                Dimension::time,
                {0.0, 5.0, 0.0, patient,
                 "a supply sags for tenths of a second at key-up, and one that fails does its harm within seconds"}},
    KindBetween{"heatsink temperature speed",
                Dimension::time,
                {0.0, minute, 0.0, 10 * minute, "a heatsink without its fan is hot within a minute"}},
    KindBetween{slow_sum,
                Dimension::time,
                {0.0, 30.0, 0.0, 10 * minute, "heat that is not carried away does its harm within a minute"}},
    KindBetween{"contact",
                Dimension::time,
                {0.0, 1.0, 0.0, patient, "an interlock is there for a hand that is faster than a second"}},
};

constexpr std::array limit_rows{
    KeyRow{.path = "limits",
           .kind = KeyKind::named,
           .need = Need::required,
           .when = "unless a contact is an interlock",
           .says = "Limits that remove the permission to transmit; each watches one quantity."},
    KeyRow{.path = "limits.*", .kind = KeyKind::section, .says = "One limit."},
    KeyRow{.path = "limits.*.name",
           .kind = KeyKind::text,
           .usual_words = "what it watches, and 'too high' or 'too low'",
           .says = "Its name for people."},
    KeyRow{.path = "limits.*.watch",
           .kind = KeyKind::name,
           .need = Need::required,
           .says = "A sensor's id, or a quantity that is worked out."},
    KeyRow{.path = "limits.*.edge",
           .kind = KeyKind::word,
           .words = edge_words,
           .usual = "reading",
           .says = "low or high: compares that end of the uncertainty in place of the reading."},
    KeyRow{.path = "limits.*.qualify",
           .kind = KeyKind::time,
           .sign = Sign::not_negative,
           .by_kind = qualify_times,
           .usual_words = "by what is watched",
           .says = "Beyond the level for so long in all."},
    KeyRow{.path = "limits.*.hold_off",
           .kind = KeyKind::time,
           .between =
               {0.5, hour, 1 * ms, 7 * day,
                "a cause that comes and goes must not permit in between, and hours are longer than any cause needs"},
           .usual_words = "by what is watched",
           .says = "Clear for so long before it is left."},
    KeyRow{.path = "limits.*.rearm",
           .kind = KeyKind::word,
           .words = rearm_words,
           .usual_words = "by what is watched",
           .says = "automatic, or latched: then an operator resets it."},
    KeyRow{.path = "limits.*.counted",
           .kind = KeyKind::flag,
           .usual = "yes",
           .says = "no: doesn't add to the count that locks out."},
    KeyRow{.path = "limits.*.warn_only",
           .kind = KeyKind::flag,
           .usual = "no",
           .says = "yes: never trips; its level is a warning, which is over at `clear`."},
    KeyRow{.path = "limits.*.while_supplied",
           .kind = KeyKind::flag,
           .when = "with 'contactor'",
           .usual_words = "yes for limits on the supply, else no",
           .says = "Rests while the supply contactor is open."},
    KeyRow{.path = "limits.*.above",
           .kind = KeyKind::level,
           .need = Need::required,
           .when = "without 'below'",
           .usual_words = "by what is watched, where the amplifier's data have it",
           .says = "Trips at this level or beyond it; of the supply's, per cent of nominal with a sign too."},
    KeyRow{.path = "limits.*.below",
           .kind = KeyKind::level,
           .need = Need::required,
           .when = "without 'above'",
           .says = "Trips at this level or under it."},
    KeyRow{.path = "limits.*.clear",
           .kind = KeyKind::level,
           .need = Need::required,
           .when = "where what is watched has no usual one",
           .words = clear_words,
           .usual_words = "by what is watched",
           .says = "The level at which the cause is gone, on the safe side; or rf off, for what can't be seen once the "
                   "amplifier is de-keyed."},
    KeyRow{.path = "limits.*.warn", .kind = KeyKind::level, .says = "Says so from here on, and does no more."},
    KeyRow{.path = "limits.*.while",
           .kind = KeyKind::section,
           .usual_words = "by what is watched",
           .says = "Watches only while another quantity is above (or below) a level."},
    KeyRow{.path = "limits.*.while.quantity", .kind = KeyKind::name, .need = Need::required, .says = "That quantity."},
    KeyRow{.path = "limits.*.while.above",
           .kind = KeyKind::level,
           .need = Need::required,
           .when = "without 'below'",
           .says = "Watches at this level or beyond it."},
    KeyRow{.path = "limits.*.while.below",
           .kind = KeyKind::level,
           .need = Need::required,
           .when = "without 'above'",
           .says = "Watches at this level or under it."},
};

/// Names of the fields that defaults have filled, for the one line of advice.
using Filled = std::vector<std::string>;

/// The figure that the trip would be taken from was refused, and that says it all.
bool follows_from_a_fault(Draft& draft, core::QuantityIndex watch) {
    const core::Plan& plan = draft.configuration.plan;
    const auto is = [&](std::optional<std::uint16_t> role) { return role && *role == watch; };
    const std::string_view figure = is(plan.roles.forward) || is(plan.roles.reflected)    ? "amplifier.rated_forward"
                                    : is(plan.roles.drive)                                ? "amplifier.maximum_drive"
                                    : core::roles_around(plan, watch).is_current(watch)   ? "amplifier.maximum_current"
                                    : watch == plan.index(core::Derived::circulator_load) ? "circulator.load_rating"
                                                                                          : "";
    const auto& faults = draft.report.faults();
    return std::any_of(faults.begin(), faults.end(), [&](const Fault& fault) { return fault.key == figure; });
}

void read_trip(Section& section, const Watched& watched, Draft& draft, core::LimitPlan& limit, LimitFacts& facts,
               Filled& filled) {
    const bool above = section.has("above"), below = section.has("below");
    if (above && below) {
        section.fault("below", "both 'above' and 'below'", "one of them; the other side is a limit of its own");
        section.allow("above");
        section.allow("below");
        return;
    }
    if (above || below) {
        limit.direction = above ? Direction::above : Direction::below;
        const auto level = read_level(section, above ? "above" : "below", Need::required, watched, draft);
        section.allow(above ? "below" : "above");
        facts.direction_known = true;
        facts.trip_known = level.has_value();
        facts.trip_key = above ? "above" : "below";
        limit.trip = level.value_or(0.0);
        return;
    }
    section.allow("above");
    section.allow("below");
    const LimitDefaults defaults = limit_defaults(draft, watched.index, std::nullopt, std::nullopt);
    if (!defaults.direction || !defaults.trip) {
        if (follows_from_a_fault(draft, watched.index)) return;
        section.fault("above", "neither 'above' nor 'below': the trip level is missing",
                      fmt::format("'above: …' or 'below: …' with {}", name_of(dimension_of(watched.unit))));
        return;
    }
    limit.direction = *defaults.direction;
    limit.trip = *defaults.trip;
    facts.direction_known = facts.trip_known = true;
    filled.push_back(
        fmt::format("{}: {}", limit.direction == Direction::above ? "above" : "below", show(limit.trip, watched.unit)));
}

void read_clear(Section& section, const Watched& watched, const Draft& draft, const LimitDefaults& defaults,
                core::LimitPlan& limit, LimitFacts& facts, Filled& filled) {
    if (section.has("clear")) {
        const auto given = section.scalar("clear", Need::optional);
        if (given && std::any_of(clear_words.begin(), clear_words.end(),
                                 [&](const Word& word) { return word.text == *given; })) {
            limit.clear_by = core::ClearBy::rf_off;
            if (!draft.configuration.plan.roles.forward)
                section.fault("clear", "'rf off' without a forward sensor: RF can't be seen to be off",
                              "a clear level, or a sensor with 'role: forward'");
            return;
        }
        if (!given) return;
        const auto level = read_level(section, "clear", Need::optional, watched, draft);
        limit.clear = level.value_or(0.0);
        facts.clear_known = level.has_value();
        return;
    }
    section.allow("clear");
    if (defaults.clear_by_rf && draft.configuration.plan.roles.forward) {
        limit.clear_by = core::ClearBy::rf_off;
        filled.emplace_back("clear: rf off");
    } else if (defaults.clear) {
        limit.clear = *defaults.clear;
        facts.clear_known = facts.trip_known;
        filled.push_back(fmt::format("clear: {}", show(limit.clear, watched.unit)));
    } else if (facts.trip_known) {
        section.fault(
            "clear", "'clear' is missing",
            fmt::format("the level at which the cause is gone, on the safe side of the trip: 'clear: …' with {}",
                        name_of(dimension_of(watched.unit))));
    }
}

void read_gate(Section& section, const Draft& draft, const LimitDefaults& defaults, core::LimitPlan& limit,
               LimitFacts& facts, Filled& filled) {
    Section gate = section.section("while");
    if (!gate.present()) {
        if (section.has("while") || !defaults.gate) return;
        limit.gate = defaults.gate;
        const auto info = core::describe(draft.configuration.plan, defaults.gate->quantity);
        filled.push_back(
            fmt::format("while: {{quantity: {}, above: {}}}", info.id, show(defaults.gate->level, info.unit)));
        return;
    }
    facts.gate_place = gate.place();
    const auto quantity = find_quantity(gate, "quantity", draft);
    const bool above = gate.has("above"), below = gate.has("below");
    gate.allow("above");
    gate.allow("below");
    if (above == below) {
        gate.fault("above", above ? "both 'above' and 'below'" : "neither 'above' nor 'below'",
                   "one of them, with the level at which the limit begins to watch");
    } else if (quantity) {
        const auto level = read_level(gate, above ? "above" : "below", Need::required, *quantity, draft);
        if (level)
            limit.gate = core::Gate{
                .quantity = quantity->index, .level = *level, .open = above ? Direction::above : Direction::below};
    }
    gate.finish();
}

/// Where a warning that stands alone is over: short of its level, so that a value on it doesn't chatter.
void read_warning_over(Section& section, const Watched& watched, const Draft& draft, core::LimitPlan& limit,
                       LimitFacts& facts) {
    const auto given = read_level(section, "clear", Need::optional, watched, draft);
    if (given) {
        limit.clear = *given;
        facts.clear_known = true;
        return;
    }
    constexpr double usual_k = 2.0, usual_db = 0.3, usual_share = 0.03;
    const bool decibels = watched.unit == core::Unit::decibel || watched.unit == core::Unit::dbm;
    const double room = watched.unit == core::Unit::celsius ? usual_k
                        : decibels                          ? usual_db
                                                            : usual_share * std::fabs(limit.trip);
    limit.clear = limit.direction == Direction::above ? limit.trip - room : limit.trip + room;
}

/// Its level is the warning; keys that say how a trip ends have no meaning.
void only_warn(Section& section, core::LimitPlan& limit, const LimitFacts& facts) {
    for (const std::string_view key : {"qualify", "hold_off", "rearm", "counted", "edge", "warn"}) {
        if (section.has(key))
            section.fault(key, fmt::format("'{}' on a limit that only warns", key),
                          "'above' or 'below' as the level of the warning, and 'clear' as its end");
    }
    limit.edge = core::Edge::reading;
    limit.warn = facts.trip_known ? std::optional{limit.trip} : std::nullopt;
}

std::string usual_name(const core::Plan& plan, const core::LimitPlan& limit) {
    std::string name{core::describe(plan, limit.watch).name};
    if (!name.empty() && name.front() >= 'a' && name.front() <= 'z')
        name.front() = static_cast<char>(name.front() - 'a' + 'A');
    return fmt::format("{} too {}", name, limit.direction == Direction::above ? "high" : "low");
}

/// As given, or what it watches and to which side; in either with the name of its stage.
std::string limit_name(const core::Plan& plan, const core::LimitPlan& limit, const std::optional<std::string>& given) {
    return given ? name_in_stage(core::stage_of(plan, limit.watch), *given) : usual_name(plan, limit);
}

void read_limit(const Entry& entry, Section& limits, Draft& draft) {
    Section section{&entry.value, entry.place, limits.path_of(entry.key), draft.report};
    if (!section.present()) return;
    core::LimitPlan limit;
    LimitFacts facts;
    Filled filled;
    limit.id = entry.key;
    const auto name = section.text("name");
    const auto watched = find_quantity(section, "watch", draft);
    if (watched) section.is_of(kind_of(*watched, draft.plan()));
    limit.edge = section.word_or_usual<core::Edge>("edge");
    const auto qualify = section.duration("qualify");
    const auto hold_off = section.duration("hold_off");
    const auto rearm = section.word_as<core::Rearm>("rearm");
    limit.counted = section.flag_or_usual("counted");
    limit.trips = !section.flag_or_usual("warn_only");
    // Behind an open contactor a supply reads nothing, which is no fault of its own.
    const bool of_supply = watched && core::roles_around(draft.plan(), watched->index).is_supply(watched->index);
    limit.while_supplied = section.flag("while_supplied").value_or(of_supply);
    if (section.has("while_supplied") && limit.while_supplied && !draft.configuration.contactor)
        section.fault("while_supplied", "there is no contactor", "a 'contactor:' section, or the key removed");
    if (!watched) {
        for (const std::string_view key : {"above", "below", "clear", "warn", "while"}) section.allow(key);
        section.finish();
        return;
    }
    limit.watch = watched->index;
    read_trip(section, *watched, draft, limit, facts, filled);
    const LimitDefaults defaults =
        limit_defaults(draft, limit.watch, facts.direction_known ? std::optional{limit.direction} : std::nullopt,
                       facts.trip_known ? std::optional{limit.trip} : std::nullopt);
    if (limit.trips) {
        read_clear(section, *watched, draft, defaults, limit, facts, filled);
    } else {
        read_warning_over(section, *watched, draft, limit, facts);
    }
    limit.warn = read_level(section, "warn", Need::optional, *watched, draft);
    if (!limit.trips) only_warn(section, limit, facts);
    read_gate(section, draft, defaults, limit, facts, filled);
    if (!limit.trips) {
        limit.name = limit_name(draft.plan(), limit, name);
        check_limit(section, draft, limit, facts);
        section.finish();
        draft.plan().limits.push_back(std::move(limit));
        return;
    }
    limit.qualify = qualify.value_or(defaults.qualify);
    limit.hold_off = hold_off.value_or(defaults.hold_off);
    limit.rearm = rearm.value_or(defaults.rearm);
    if (!section.has("qualify")) filled.push_back(fmt::format("qualify: {}", show(limit.qualify)));
    if (!section.has("hold_off")) filled.push_back(fmt::format("hold_off: {}", show(limit.hold_off)));
    if (!section.has("rearm"))
        filled.push_back(fmt::format("rearm: {}", limit.rearm == core::Rearm::automatic ? "automatic" : "latched"));
    limit.name = limit_name(draft.plan(), limit, name);
    check_limit(section, draft, limit, facts);
    if (!filled.empty())
        draft.report.advise(entry.place, section.path(),
                            fmt::format("default not confirmed: {}; write it to confirm it", fmt::join(filled, ", ")));
    section.finish();
    draft.plan().limits.push_back(std::move(limit));
}

}  // namespace

std::span<const KeyRow> limit_keys() {
    return limit_rows;
}

void read_limits(Section& top, Draft& draft) {
    const bool contacts = std::any_of(draft.sensors.begin(), draft.sensors.end(), [](const SensorDraft& sensor) {
        return sensor.kind == core::ChannelKind::contact && sensor.contact.interlock;
    });
    Section section = top.section("limits", contacts ? Need::optional : Need::required);
    const auto entries = section.named_entries(most_limits);
    if (section.present() && entries.empty() && !contacts)
        draft.report.fault(section.place(), section.path(), "there is no limit, so nothing would be protected",
                           "at least one, such as 'heatsink: {watch: heatsink, above: 70 degC, …}'");
    for (const Entry* entry : entries) read_limit(*entry, section, draft);
    section.finish();
    add_made_limits(draft);
}

}  // namespace dekeyd::formats
