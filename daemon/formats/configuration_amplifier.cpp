// amplifier: its ratings, and the levels at which RF is there, ratios mean something, and drive is off.
#include <cmath>

#include "core/rf.hpp"
#include "formats/configuration_parts.hpp"

namespace dekeyd::formats {
namespace {

constexpr double usual_minimum_share = 0.05;  // DESIGN's gate for VSWR: 5 % of rated
constexpr double usual_present_share = 0.01;
constexpr double usual_drive_share = 0.02;

/// A level must lie above what the chain shows with no power at all, or its absence could never be proven.
void check_above_floor(Section& section, std::string_view key, double level_w, const core::Channel& channel) {
    if (!channel.power) return;
    const double floor_w = line_floor_w(*channel.power);
    if (level_w > floor_w) return;
    section.fault(key,
                  fmt::format("{} is not above the {} that '{}' shows at its floor", show(level_w, core::Unit::watt),
                              show(floor_w, core::Unit::watt), channel.id),
                  "a higher level: below the floor, power can't be told from none");
}

/// Reflected power is a share of forward's: its level is the same, or lower.
void read_reflected_level(Section& section, Draft& draft) {
    core::RfPlan& rf = draft.plan().rf;
    const auto reflected = draft.plan().roles.reflected;
    rf.reflected_present_w = section.quantity("reflected_present", Dimension::power, Need::optional, Sign::positive);
    if (rf.reflected_present_w && !reflected)
        section.fault("reflected_present", "a level of reflected power, which no sensor measures",
                      "a sensor with 'role: reflected', or the key removed");
    if (rf.reflected_present_w.value_or(0.0) > rf.rf_present_w)
        section.fault("reflected_present", "reflected power would be told later than the forward power it comes from",
                      fmt::format("at most {}", show(rf.rf_present_w, core::Unit::watt)));
    if (reflected)
        check_above_floor(section, rf.reflected_present_w ? "reflected_present" : "rf_present", rf.reflected_is_rf_w(),
                          draft.plan().channels[*reflected]);
}

void read_forward_levels(Section& section, Draft& draft) {
    core::RfPlan& rf = draft.plan().rf;
    const AmplifierDraft& amplifier = draft.amplifier;
    const auto forward = draft.plan().roles.forward;
    const Need need = forward ? Need::required : Need::optional;
    draft.amplifier.rated_w = section.quantity("rated_forward", Dimension::power, need, Sign::positive);
    const auto minimum = section.quantity("minimum_forward", Dimension::power, Need::optional, Sign::positive);
    const auto present = section.quantity("rf_present", Dimension::power, Need::optional, Sign::positive);
    section.allow("reflected_present");
    if (!amplifier.rated_w) return;
    rf.rated_w = *amplifier.rated_w;
    rf.minimum_forward_w = minimum.value_or(usual_minimum_share * rf.rated_w);
    rf.rf_present_w = present.value_or(usual_present_share * rf.rated_w);
    if (!forward) return;
    if (!section.has("minimum_forward"))
        draft.report.advise(section.place(), section.path_of("minimum_forward"),
                            fmt::format("not confirmed: VSWR counts from {} forward (5 % of rated)",
                                        show(rf.minimum_forward_w, core::Unit::watt)));
    if (!section.has("rf_present"))
        draft.report.advise(
            section.place(), section.path_of("rf_present"),
            fmt::format("not confirmed: RF counts as present from {} forward (1 % of rated); it must lie "
                        "above the measured feed-through",
                        show(rf.rf_present_w, core::Unit::watt)));
    const bool bad_levels = (section.has("minimum_forward") && !minimum) || (section.has("rf_present") && !present);
    if (bad_levels) return;
    draft.amplifier.rf_levels_known = true;
    if (rf.minimum_forward_w >= rf.rated_w)
        section.fault("minimum_forward", "the minimum for ratios is not below the rated power",
                      fmt::format("less than {}", show(rf.rated_w, core::Unit::watt)));
    if (rf.rf_present_w > rf.minimum_forward_w)
        section.fault("rf_present", "RF would count as present only above the minimum for ratios",
                      fmt::format("at most {}", show(rf.minimum_forward_w, core::Unit::watt)));
    check_above_floor(section, "rf_present", rf.rf_present_w, draft.plan().channels[*forward]);
    read_reflected_level(section, draft);
}

void read_times(Section& section, Draft& draft) {
    core::RfPlan& rf = draft.plan().rf;
    rf.release_time = section.duration("release_time", Need::optional).value_or(rf.release_time);
    rf.hang_time = section.duration("hang_time", Need::optional).value_or(rf.hang_time);
    rf.edge_time = section.duration("edge_time", Need::optional, Sign::not_negative).value_or(rf.edge_time);
    if (draft.plan().roles.forward && !section.has("release_time"))
        draft.report.advise(section.place(), section.path_of("release_time"),
                            fmt::format("not confirmed: RF that lasts {} after the line says inhibit is an alarm; "
                                        "measure relay and filter when commissioning",
                                        show(rf.release_time)));
}

void read_drive_levels(Section& section, Draft& draft) {
    core::RfPlan& rf = draft.plan().rf;
    auto& maximum = draft.amplifier.maximum_drive_w;
    maximum = section.quantity("maximum_drive", Dimension::power, Need::optional, Sign::positive);
    const auto drive = draft.plan().roles.drive;
    const Need need = drive && !section.has("maximum_drive") ? Need::required : Need::optional;
    const auto absent = section.quantity("drive_absent", Dimension::power, need, Sign::positive);
    if (absent) {
        rf.drive_absent_w = *absent;
    } else if (maximum && !section.has("drive_absent")) {
        rf.drive_absent_w = usual_drive_share * *maximum;
        if (drive)
            draft.report.advise(section.place(), section.path_of("drive_absent"),
                                fmt::format("not confirmed: drive counts as absent below {} (2 % of the maximum)",
                                            show(rf.drive_absent_w, core::Unit::watt)));
    }
    if (maximum && absent && *absent >= *maximum)
        section.fault("drive_absent", "drive would count as absent at its maximum",
                      fmt::format("less than {}", show(*maximum, core::Unit::watt)));
    if (drive && rf.drive_absent_w > 0.0)
        check_above_floor(section, "drive_absent", rf.drive_absent_w, draft.plan().channels[*drive]);
}

}  // namespace

void read_amplifier(Section& top, Draft& draft) {
    const Need need = draft.plan().roles.forward ? Need::required : Need::optional;
    Section section = top.section("amplifier", need);
    draft.amplifier.place = section.place();
    if (!section.present()) return;
    core::RfPlan& rf = draft.plan().rf;
    read_forward_levels(section, draft);
    read_drive_levels(section, draft);
    read_times(section, draft);
    draft.amplifier.maximum_current_a =
        section.quantity("maximum_current", Dimension::current, Need::optional, Sign::positive);
    draft.amplifier.nominal_supply_v =
        section.quantity("nominal_supply", Dimension::voltage, Need::optional, Sign::positive);
    draft.configuration.frequency_hz =
        section.quantity("frequency", Dimension::frequency, Need::optional, Sign::positive);
    rf.directivity_db = section.quantity("directivity", Dimension::ratio_db, Need::optional, Sign::positive);
    rf.feeder_loss_db =
        section.quantity("feeder_loss", Dimension::ratio_db, Need::optional, Sign::not_negative).value_or(0.0);
    rf.small_signal_gain_db =
        section.quantity("small_signal_gain", Dimension::ratio_db, Need::optional, Sign::positive);
    rf.gain_db_per_k = section.quantity("gain_drift", Dimension::db_per_kelvin, Need::optional).value_or(0.0);
    rf.gain_reference_c =
        section.quantity("gain_reference", Dimension::temperature, Need::optional).value_or(rf.gain_reference_c);
    if (section.has("gain_drift") && !rf.small_signal_gain_db)
        section.fault("gain_drift", "a drift of a gain that is not given", "'small_signal_gain: 18 dB' beside it");
    draft.configuration.one_db_forward_w =
        section.quantity("one_db_forward", Dimension::power, Need::optional, Sign::positive);
    draft.configuration.maximum_drive_w = draft.amplifier.maximum_drive_w;
    rf.main_line_loss_db =
        section.quantity("main_line_loss", Dimension::ratio_db, Need::optional, Sign::not_negative).value_or(0.0);
    section.finish();
}

}  // namespace dekeyd::formats
