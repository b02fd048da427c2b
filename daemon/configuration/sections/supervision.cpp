// supervision and plausibility: rules that need no level of a single quantity.
#include <array>

#include "configuration/parts.hpp"

namespace dekeyd::formats {
namespace {

using namespace row_units;

constexpr std::array supervision_rows{
    KeyRow{.path = "supervision", .kind = KeyKind::section, .says = "Checks that need no level of a single quantity."},
    KeyRow{.path = "supervision.monitor_only",
           .kind = KeyKind::flag,
           .usual = "no",
           .says = "yes: measures and publishes, and never permits; a labelled bypass carries the enable.",
           .into = [](const Given& v) { v.draft.plan().supervision.monitor_only = v.word != 0; }},
    KeyRow{.path = "supervision.continuous_drive",
           .kind = KeyKind::flag,
           .when = "with a sensor of 'role: drive'",
           .usual = "no",
           .says = "yes: an exciter that never pauses (a beacon); else no permit begins into drive.",
           .into = [](const Given& v) { v.draft.plan().supervision.continuous_drive = v.word != 0; }},
    KeyRow{.path = "supervision.contactor_time",
           .kind = KeyKind::time,
           .when = "with 'contactor'",
           .between = {10 * ms, 30.0, 1 * ms, patient,
                       "a contactor closes within a tenth of a second, and a supply settles within seconds"},
           .usual = "500 ms",
           .says = "Until the supply behind the contactor has settled.",
           .into = [](const Given& v) { v.draft.plan().supervision.contactor_time = v.time; }},
    KeyRow{.path = "supervision.longest_transmission",
           .kind = KeyKind::time,
           .when = "where forward power is measured",
           .between = {10.0, 2 * day, 1.0, 365 * day, "a key that sticks shall be found while it can still be mended"},
           .usual_words = "there is no end",
           .says = "RF for so long de-keys.",
           .into = [](const Given& v) { v.draft.plan().supervision.longest_transmission = v.time; }},
    KeyRow{.path = "supervision.transmission_warning",
           .kind = KeyKind::time,
           .when = "with 'longest_transmission'",
           .between = fixed(1.0, day, "a person must have time to act"),
           .usual = "1 min",
           .says = "So long before that end it says so.",
           .into = [](const Given& v) { v.draft.plan().supervision.transmission_warning = v.time; }},
    KeyRow{.path = "plausibility",
           .kind = KeyKind::section,
           .says = "Measurements that contradict each other: each points at a sensor or a cable."},
    KeyRow{.path = "plausibility.switching_time",
           .kind = KeyKind::time,
           .between = {1 * ms, 2.0, 1 * ms, patient, "relays and key edges are over within a second"},
           .usual = "100 ms",
           .says = "Nothing is compared for so long after a change of permit or key.",
           .into = [](const Given& v) { v.draft.plan().plausibility.switching_time = v.time; }},
    KeyRow{.path = "plausibility.qualify",
           .kind = KeyKind::time,
           .between = {10 * ms, 10.0, 1 * ms, patient, "a cable that has come off hides RF for so long"},
           .usual = "500 ms",
           .says = "A contradiction lasts for so long before it counts.",
           .into = [](const Given& v) { v.draft.plan().plausibility.qualify = v.time; }},
    KeyRow{.path = "plausibility.current_with_rf",
           .kind = KeyKind::quantity,
           .dimension = Dimension::current,
           .sign = Sign::positive,
           .when = "where current and forward power are measured",
           .between = fixed(1e-3, 1e3, "no amplifier draws it"),
           .says = "Above the quiescent current: so much flows only with RF.",
           .into = [](const Given& v) { v.draft.plan().plausibility.current_with_rf_a = v.number; }},
    KeyRow{.path = "plausibility.best_return_loss",
           .kind = KeyKind::quantity,
           .dimension = Dimension::ratio_db,
           .sign = Sign::positive,
           .when = "where forward and reflected power are measured",
           .between = fixed(15.0, 60.0, "good antennas reach 25 dB and more, and no coupler tells beyond 60 dB"),
           .says = "Better than this no antenna is.",
           .into = [](const Given& v) { v.draft.plan().plausibility.best_return_loss_db = v.number; }},
    KeyRow{.path = "plausibility.heating",
           .kind = KeyKind::section,
           .says = "Heat that must show on the heatsink; needs heatsink, forward, supply and current."},
    KeyRow{.path = "plausibility.heating.power",
           .kind = KeyKind::quantity,
           .dimension = Dimension::power,
           .sign = Sign::positive,
           .need = Need::required,
           .between = fixed(0.1, 100 * kw, "no amplifier heats so"),
           .says = "So much heat ...",
           .into = [](const Given& v) { v.draft.plan().plausibility.heating_w = v.number; }},
    KeyRow{.path = "plausibility.heating.rise",
           .kind = KeyKind::quantity,
           .dimension = Dimension::temperature_difference,
           .sign = Sign::positive,
           .between = fixed(
               0.5, 50.0, "a sensor's own steps reach some tenths of a kelvin, and a heatsink is too hot before 50 K"),
           .usual = "2 K",
           .says = "... shows as at least this rise ...",
           .into = [](const Given& v) { v.draft.plan().plausibility.heating_rise_k = v.number; }},
    KeyRow{.path = "plausibility.heating.time",
           .kind = KeyKind::time,
           .between = {5.0, hour, 100 * ms, hour, "a heatsink warms within minutes"},
           .usual = "5 min",
           .says = "... within this time, after as long without it.",
           .into = [](const Given& v) { v.draft.plan().plausibility.heating_time = v.time; }},
};

void read_supervision(Section& top, Draft& draft) {
    core::SupervisionPlan& plan = draft.plan().supervision;
    Section section = top.section("supervision");
    read_keys(section, draft);
    const bool needs_forward = plan.longest_transmission && !draft.plan().roles.forward;
    if (needs_forward)
        section.fault("longest_transmission", "without forward power a transmission can't be seen",
                      "a sensor with 'role: forward'");
    if (section.has("transmission_warning") && !section.has("longest_transmission"))
        section.fault("transmission_warning", "a warning before an end that is not given", "'longest_transmission: …'");
    if (plan.longest_transmission && section.has("transmission_warning") &&
        plan.transmission_warning >= *plan.longest_transmission)
        section.fault("transmission_warning", "the warning would come before the transmission",
                      fmt::format("less than {}", show(*plan.longest_transmission)));
    if (section.has("contactor_time") && !draft.configuration.contactor)
        section.fault("contactor_time", "there is no contactor", "a 'contactor:' section like 'line:'");
    if (plan.monitor_only)
        draft.report.advise(
            section.place_of("monitor_only"), section.path_of("monitor_only"),
            "the line is never driven to permit: a labelled bypass carries the enable, and nothing here "
            "protects the amplifier");
    if (plan.continuous_drive && !draft.plan().roles.drive)
        section.fault("continuous_drive", "drive isn't measured, so no permit waits for its absence",
                      "a sensor with 'role: drive', or leave it out");
    else if (plan.continuous_drive)
        draft.report.advise(section.place_of("continuous_drive"), section.path_of("continuous_drive"),
                            "the exciter is said never to pause: a permit begins and returns into drive, after a "
                            "start, a trip, a release and a reset alike");
    section.finish();
    const auto& sense = draft.plan().roles.contactor_sense;
    if (sense && !draft.configuration.contactor)
        draft.report.fault(draft.sensors[*sense].place, draft.sensors[*sense].path + ".role",
                           "there is no contactor whose contacts it could follow",
                           "a 'contactor:' section like 'line:', or another role");
    if (!draft.configuration.contactor) return;
    plan.contactor = true;
    if (!sense)
        draft.report.advise(top.place_of("contactor"), "contactor",
                            "nothing sees its contacts: a welded one stays unseen, and a proof test can't lean on it; "
                            "give it a contact sensor with 'role: contactor_sense'");
    if (!draft.plan().roles.forward)
        draft.report.fault(top.place_of("contactor"), "contactor",
                           "without forward power the contactor would never close: it waits to see that there is no RF",
                           "a sensor with 'role: forward'");
}

void read_heating(Section& section, Draft& draft) {
    Section heating = section.section("heating");
    if (!heating.present()) return;
    read_keys(heating, draft);
    heating.finish();
    const core::Roles& roles = draft.plan().roles;
    if (!(roles.heatsink && roles.forward && roles.supply && roles.current))
        draft.report.fault(heating.place(), heating.path(), "heat can't be worked out from what is measured",
                           "sensors with the roles heatsink, forward, supply and current");
}

void read_plausibility(Section& top, Draft& draft) {
    const core::PlausibilityPlan& plan = draft.plan().plausibility;
    const core::Roles& roles = draft.plan().roles;
    Section section = top.section("plausibility");
    read_keys(section, draft);
    if (plan.current_with_rf_a && !(roles.current && roles.forward))
        section.fault("current_with_rf", "current and forward power are not both measured",
                      "sensors with the roles current and forward");
    if (plan.best_return_loss_db && !(roles.forward && roles.reflected))
        section.fault("best_return_loss", "forward and reflected power are not both measured",
                      "sensors with the roles forward and reflected");
    read_heating(section, draft);
    section.finish();
}

}  // namespace

std::span<const KeyRow> supervision_keys() {
    return supervision_rows;
}

void read_rules(Section& top, Draft& draft) {
    read_supervision(top, draft);
    read_plausibility(top, draft);
}

}  // namespace dekeyd::formats
