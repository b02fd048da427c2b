// supervision and plausibility: rules that need no level of a single quantity.
#include "formats/configuration_parts.hpp"

namespace dekeyd::formats {
namespace {

void read_supervision(Section& top, Draft& draft) {
    core::SupervisionPlan& plan = draft.plan().supervision;
    Section section = top.section("supervision", Need::optional);
    plan.monitor_only = section.flag("monitor_only", Need::optional).value_or(false);
    plan.continuous_drive = section.flag("continuous_drive", Need::optional).value_or(false);
    plan.contactor_time = section.duration("contactor_time", Need::optional).value_or(plan.contactor_time);
    plan.longest_transmission = section.duration("longest_transmission", Need::optional);
    plan.transmission_warning =
        section.duration("transmission_warning", Need::optional).value_or(plan.transmission_warning);
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
    core::PlausibilityPlan& plan = draft.plan().plausibility;
    Section heating = section.section("heating", Need::optional);
    if (!heating.present()) return;
    plan.heating_w = heating.quantity("power", Dimension::power, Need::required, Sign::positive);
    plan.heating_rise_k = heating.quantity("rise", Dimension::temperature_difference, Need::optional, Sign::positive)
                              .value_or(plan.heating_rise_k);
    plan.heating_time = heating.duration("time", Need::optional).value_or(plan.heating_time);
    heating.finish();
    const core::Roles& roles = draft.plan().roles;
    if (!(roles.heatsink && roles.forward && roles.supply && roles.current))
        draft.report.fault(heating.place(), heating.path(), "heat can't be worked out from what is measured",
                           "sensors with the roles heatsink, forward, supply and current");
}

void read_plausibility(Section& top, Draft& draft) {
    core::PlausibilityPlan& plan = draft.plan().plausibility;
    const core::Roles& roles = draft.plan().roles;
    Section section = top.section("plausibility", Need::optional);
    plan.switching_time = section.duration("switching_time", Need::optional).value_or(plan.switching_time);
    plan.qualify = section.duration("qualify", Need::optional).value_or(plan.qualify);
    plan.current_with_rf_a = section.quantity("current_with_rf", Dimension::current, Need::optional, Sign::positive);
    plan.best_return_loss_db =
        section.quantity("best_return_loss", Dimension::ratio_db, Need::optional, Sign::positive);
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

void read_rules(Section& top, Draft& draft) {
    read_supervision(top, draft);
    read_plausibility(top, draft);
}

}  // namespace dekeyd::formats
