// amplifier: its ratings, and the levels at which RF is there, ratios mean something, and drive is off.
#include <array>
#include <cmath>

#include "configuration/parts.hpp"
#include "maths/rf.hpp"

namespace dekeyd::formats {
namespace {

using namespace row_units;

constexpr std::array amplifier_rows{
    KeyRow{.path = "amplifier",
           .kind = KeyKind::section,
           .says = "The amplifier and what surrounds it; needed where forward power is measured."},
    KeyRow{.path = "amplifier.rated_forward",
           .kind = KeyKind::quantity,
           .dimension = Dimension::power,
           .sign = Sign::positive,
           .need = Need::required,
           .when = "where forward power is measured",
           .between = fixed(10 * mw, 100 * kw, "no amplifier that needs a guard like this has it"),
           .says = "Its rated forward power."},
    KeyRow{.path = "amplifier.minimum_forward",
           .kind = KeyKind::quantity,
           .dimension = Dimension::power,
           .sign = Sign::positive,
           .between = fixed(0.1 * mw, 50 * kw, "no detector needs so much or tells so little"),
           .usual_words = "5 % of rated",
           .says = "Below it VSWR and gain are not measurable, which is neither good nor bad."},
    KeyRow{.path = "amplifier.rf_present",
           .kind = KeyKind::quantity,
           .dimension = Dimension::power,
           .sign = Sign::positive,
           .between = fixed(0.01 * mw, 20 * kw, "no detector needs so much or tells so little"),
           .usual_words = "1 % of rated",
           .says = "Forward from here on is RF; above what feeds through while inhibited."},
    KeyRow{.path = "amplifier.reflected_present",
           .kind = KeyKind::quantity,
           .dimension = Dimension::power,
           .sign = Sign::positive,
           .when = "where reflected power is measured",
           .between = fixed(0.01 * mw, 20 * kw, "no detector needs so much or tells so little"),
           .usual_words = "as rf_present",
           .says = "The same of reflected; RF is off only where both are below."},
    KeyRow{.path = "amplifier.maximum_drive",
           .kind = KeyKind::quantity,
           .dimension = Dimension::power,
           .sign = Sign::positive,
           .between = fixed(0.01 * mw, 10 * kw, "no exciter gives it"),
           .says = "The most drive that the amplifier bears."},
    KeyRow{.path = "amplifier.drive_absent",
           .kind = KeyKind::quantity,
           .dimension = Dimension::power,
           .sign = Sign::positive,
           .need = Need::required,
           .when = "where drive is measured and 'maximum_drive' is not given",
           .between = fixed(1e-9, 1 * kw, "no detector needs so much or tells so little"),
           .usual_words = "2 % of maximum_drive",
           .says = "Below it the exciter is off: no automatic re-arm into a driven amplifier."},
    KeyRow{.path = "amplifier.release_time",
           .kind = KeyKind::time,
           .between = {0.1 * ms, 1.0, 0.1 * ms, patient,
                       "relays release within a tenth of a second, and RF that lasts longer is an alarm"},
           .usual = "100 ms",
           .says = "Of relay and filter: RF that lasts longer after the line says inhibit is an alarm.",
           .into = [](const Given& v) { v.draft.plan().rf.release_time = v.time; }},
    KeyRow{.path = "amplifier.hang_time",
           .kind = KeyKind::time,
           .between = {10 * ms, minute, 10 * ms, hour, "pauses between words last seconds at most"},
           .usual = "1 s",
           .says = "RF absent for so long ends a transmission in the log.",
           .into = [](const Given& v) { v.draft.plan().rf.hang_time = v.time; }},
    KeyRow{
        .path = "amplifier.edge_time",
        .kind = KeyKind::time,
        .sign = Sign::not_negative,
        .between =
            {0.1 * ms, 250 * ms, 0.1 * ms, 10.0,
             "RF comes and goes within milliseconds, and readings that contradict each other for longer are a fault"},
        .usual = "20 ms",
        .says = "How long readings may contradict each other while RF comes or goes.",
        .into = [](const Given& v) { v.draft.plan().rf.edge_time = v.time; }},
    KeyRow{.path = "amplifier.maximum_current",
           .kind = KeyKind::quantity,
           .dimension = Dimension::current,
           .sign = Sign::positive,
           .between = fixed(10e-3, 1e3, "no amplifier draws it"),
           .says = "The most that it may draw in all.",
           .into = [](const Given& v) { v.draft.amplifier.maximum_current_a = v.number; }},
    KeyRow{.path = "amplifier.nominal_supply",
           .kind = KeyKind::quantity,
           .dimension = Dimension::voltage,
           .sign = Sign::positive,
           .between = fixed(1.0, 10 * kw, "no amplifier is supplied with it"),
           .says = "The voltage that limits in per cent refer to, of each supply without a stage.",
           .into = [](const Given& v) { v.draft.amplifier.nominal_supply_v = v.number; }},
    KeyRow{.path = "amplifier.frequency",
           .kind = KeyKind::quantity,
           .dimension = Dimension::frequency,
           .sign = Sign::positive,
           .between = fixed(10e3, 300e9, "no radio amplifier works there"),
           .says = "The frequency of the transmissions, for the exposure limits, a dish and people.",
           .into = [](const Given& v) { v.draft.configuration.frequency_hz = v.number; }},
    KeyRow{.path = "amplifier.directivity",
           .kind = KeyKind::quantity,
           .dimension = Dimension::ratio_db,
           .sign = Sign::positive,
           .between = fixed(10.0, 60.0,
                            "below 10 dB a coupler can't tell the two directions apart, and none has more than 60 dB"),
           .says = "Of the whole installation, best measured on a good load: how far a VSWR may be trusted.",
           .into = [](const Given& v) { v.draft.plan().rf.directivity_db = v.number; }},
    KeyRow{.path = "amplifier.feeder_loss",
           .kind = KeyKind::quantity,
           .dimension = Dimension::ratio_db,
           .sign = Sign::not_negative,
           .between = fixed(0.0, 20.0, "behind more a lost antenna can't be seen at all"),
           .usual = "0 dB",
           .says = "Between coupler and antenna: a lost antenna reads better than it is.",
           .into = [](const Given& v) { v.draft.plan().rf.feeder_loss_db = v.number; }},
    KeyRow{.path = "amplifier.small_signal_gain",
           .kind = KeyKind::quantity,
           .dimension = Dimension::ratio_db,
           .sign = Sign::positive,
           .between = fixed(1.0, 90.0, "no amplifier has it"),
           .says = "For gain compression.",
           .into = [](const Given& v) { v.draft.plan().rf.small_signal_gain_db = v.number; }},
    KeyRow{.path = "amplifier.gain_drift",
           .kind = KeyKind::quantity,
           .dimension = Dimension::db_per_kelvin,
           .when = "with 'small_signal_gain'",
           .between = fixed(0.0, 0.2, "usual is -0.02 dB/K", Compared::size),
           .usual = "0 dB/K",
           .says = "How that gain moves with the heatsink's temperature.",
           .into = [](const Given& v) { v.draft.plan().rf.gain_db_per_k = v.number; }},
    KeyRow{.path = "amplifier.gain_reference",
           .kind = KeyKind::quantity,
           .dimension = Dimension::temperature,
           .between = fixed(-40.0, 100.0, "no gain is measured there"),
           .usual = "25 degC",
           .says = "Where the gain was measured.",
           .into = [](const Given& v) { v.draft.plan().rf.gain_reference_c = v.number; }},
    KeyRow{.path = "amplifier.one_db_forward",
           .kind = KeyKind::quantity,
           .dimension = Dimension::power,
           .sign = Sign::positive,
           .between = fixed(1 * mw, 200 * kw, "no amplifier has it"),
           .says = "Forward power at 1 dB of compression, for `dekeyctl plan` and to judge the drive.",
           .into =
               [](const Given& v) {
                   v.draft.configuration.one_db_forward_w = v.number;
                   v.draft.plan().rf.one_db_forward_w = v.number;
               }},
    KeyRow{.path = "amplifier.main_line_loss",
           .kind = KeyKind::quantity,
           .dimension = Dimension::ratio_db,
           .sign = Sign::not_negative,
           .between = fixed(0.0, 10.0, "no main line bears so much of the amplifier's heat"),
           .usual = "0 dB",
           .says = "From the amplifier to the coupler, for the heat: what is lost there isn't the heatsink's.",
           .into = [](const Given& v) { v.draft.plan().rf.main_line_loss_db = v.number; }},
};

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
                  "a higher level: below the floor, power looks the same as none");
}

/// Reflected power is a share of forward's: its level is the same, or lower.
void read_reflected_level(Section& section, Draft& draft) {
    core::RfPlan& rf = draft.plan().rf;
    const auto reflected = draft.plan().roles.reflected;
    rf.reflected_present_w = section.quantity("reflected_present");
    if (rf.reflected_present_w && !reflected)
        section.fault("reflected_present", "a level of reflected power, which no sensor measures",
                      "a sensor with 'role: reflected', or the key removed");
    if (rf.reflected_present_w.value_or(0.0) > rf.rf_present_w)
        section.fault("reflected_present",
                      "reflected power would be detected later than the forward power that it comes from",
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
    draft.amplifier.rated_w = section.quantity("rated_forward", need);
    const auto minimum = section.quantity("minimum_forward");
    const auto present = section.quantity("rf_present");
    section.allow("reflected_present");
    if (!amplifier.rated_w) return;
    rf.rated_w = *amplifier.rated_w;
    rf.minimum_forward_w = minimum.value_or(usual_minimum_share * rf.rated_w);
    rf.rf_present_w = present.value_or(usual_present_share * rf.rated_w);
    if (!forward) return;
    if (!section.has("minimum_forward"))
        draft.report.advise(section.place(), section.path_of("minimum_forward"),
                            fmt::format("not confirmed: {} from {} forward (5 % of rated)",
                                        draft.plan().roles.reflected ? "VSWR counts" : "ratios of powers count",
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

void advise_release_time(const Section& section, Draft& draft) {
    if (draft.plan().roles.forward && !section.has("release_time"))
        draft.report.advise(section.place(), section.path_of("release_time"),
                            fmt::format("not confirmed: RF that lasts {} after the line says inhibit is an alarm; "
                                        "measure relay and filter when commissioning",
                                        show(draft.plan().rf.release_time)));
}

void read_drive_levels(Section& section, Draft& draft) {
    core::RfPlan& rf = draft.plan().rf;
    auto& maximum = draft.amplifier.maximum_drive_w;
    maximum = section.quantity("maximum_drive");
    const auto drive = draft.plan().roles.drive;
    const Need need = drive && !section.has("maximum_drive") ? Need::required : Need::optional;
    const auto absent = section.quantity("drive_absent", need);
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

std::span<const KeyRow> amplifier_keys() {
    return amplifier_rows;
}

void read_amplifier(Section& top, Draft& draft) {
    const Need need = draft.plan().roles.forward ? Need::required : Need::optional;
    Section section = top.section("amplifier", need);
    draft.amplifier.place = section.place();
    if (!section.present()) return;
    core::RfPlan& rf = draft.plan().rf;
    read_forward_levels(section, draft);
    read_drive_levels(section, draft);
    read_keys(section, draft);
    advise_release_time(section, draft);
    if (section.has("gain_drift") && !rf.small_signal_gain_db)
        section.fault("gain_drift", "a drift of a gain that is not given", "'small_signal_gain: 18 dB' beside it");
    draft.configuration.maximum_drive_w = draft.amplifier.maximum_drive_w;
    draft.configuration.maximum_current_a = draft.amplifier.maximum_current_a;
    draft.configuration.nominal_supply_v = draft.amplifier.nominal_supply_v;
    section.finish();
}

}  // namespace dekeyd::formats
