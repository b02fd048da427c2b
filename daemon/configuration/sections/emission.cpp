// emission: what is sent, and so how soon powers and ratios may be judged.
#include <algorithm>
#include <array>

#include "configuration/parts.hpp"
#include "maths/rf.hpp"
#include "plan/standing.hpp"

namespace dekeyd::formats {
namespace {

constexpr Word kind_words[]{{"carrier", core::EmissionKind::carrier},
                            {"fm", core::EmissionKind::fm},
                            {"morse", core::EmissionKind::morse},
                            {"voice", core::EmissionKind::voice},
                            {"digital-television", core::EmissionKind::digital_television}};
constexpr Word modulation_words[]{
    {"qpsk", core::Modulation::qpsk}, {"8psk", core::Modulation::psk8}, {"16apsk", core::Modulation::apsk16}};
constexpr Word roll_off_words[]{
    {"0.35", core::RollOff::percent_35}, {"0.25", core::RollOff::percent_25}, {"0.20", core::RollOff::percent_20}};

constexpr std::array emission_rows{
    KeyRow{
        .path = "emission",
        .kind = KeyKind::section,
        .says = "The modulation. Without it every reading is judged at once, as of a carrier, which is the strictest."},
    KeyRow{.path = "emission.kind",
           .kind = KeyKind::word,
           .need = Need::required,
           .words = kind_words,
           .says = "Voice is single sideband."},
    KeyRow{.path = "emission.modulation",
           .kind = KeyKind::word,
           .when = "with 'kind: digital-television'",
           .words = modulation_words,
           .says = "Of digital television."},
    KeyRow{.path = "emission.roll_off",
           .kind = KeyKind::word,
           .when = "with 'kind: digital-television'",
           .words = roll_off_words,
           .says = "Of its root-raised-cosine shaping."},
    KeyRow{.path = "emission.back_off",
           .kind = KeyKind::quantity,
           .dimension = Dimension::ratio_db,
           .sign = Sign::not_negative,
           .between = fixed(0.0, 20.0, "no emission needs more"),
           .usual_words = "the crest of digital television, 0 dB of a voice's peaks; of the others none",
           .says = "How far the mean (of a voice the peak) should lie below the amplifier's 1 dB point, for advice on "
                   "the drive."},
};

std::string name_of(const core::EmissionFacts& emission) {
    switch (emission.kind) {
        case core::EmissionKind::carrier: return "carrier";
        case core::EmissionKind::fm: return "FM";
        case core::EmissionKind::morse: return "Morse";
        case core::EmissionKind::voice: return "voice";
        case core::EmissionKind::digital_television: break;
    }
    switch (emission.modulation) {
        case core::Modulation::qpsk: return "QPSK";
        case core::Modulation::psk8: return "8PSK";
        default: return "16APSK";
    }
}

/// Its peaks then reach the 1 dB point and no farther. A constant envelope bears compression.
std::optional<double> usual_back_off_db(const core::EmissionFacts& emission) {
    if (emission.kind == core::EmissionKind::digital_television) return emission.crest_db;
    if (emission.kind == core::EmissionKind::voice) return 0.0;
    return std::nullopt;
}

}  // namespace

std::span<const KeyRow> emission_keys() {
    return emission_rows;
}

void read_emission(Section& top, Draft& draft) {
    Section section = top.section("emission");
    const auto kind = section.word_as<core::EmissionKind>("kind");
    const bool television = kind == core::EmissionKind::digital_television;
    const auto modulation = section.word_as<core::Modulation>("modulation");
    const auto roll_off = section.word_as<core::RollOff>("roll_off");
    for (const std::string_view key : {"modulation", "roll_off"}) {
        if (kind && television != section.has(key))
            section.fault(key,
                          television ? "missing: digital television is told by it" : "only digital television has it",
                          television ? fmt::format("'{}:' with the transmitter's value", key) : "the key removed");
    }
    const auto back_off_db = section.quantity("back_off");
    section.finish();
    if (kind)
        draft.configuration.emission = core::emission_facts(*kind, modulation.value_or(core::Modulation::none),
                                                            roll_off.value_or(core::RollOff::none));
    if (section.present()) draft.emission_place = section.place();
    if (draft.configuration.emission == nullptr) return;
    const core::EmissionFacts& emission = *draft.configuration.emission;
    core::EmissionPlan& plan = draft.plan().rf.emission;
    plan.name = name_of(emission);
    plan.back_off_db = back_off_db ? back_off_db : usual_back_off_db(emission);
    plan.of_peak = emission.followed;
}

void plan_emission(Draft& draft) {
    core::Plan& plan = draft.plan();
    const core::EmissionFacts* const emission = draft.configuration.emission;
    const auto forward = plan.roles.forward;
    if (emission == nullptr || !forward) return;
    plan.rf.emission.power_time = emission->power_time;
    if (!emission->followed) plan.rf.emission.unseen_crest = core::watts_from_dbm(30.0 + emission->crest_db);
    if (emission->steady()) return;
    const std::size_t bus = plan.channels[*forward].sampler;
    const core::Duration rounds = emission->ratio_rounds * round_time(draft.configuration.buses[bus]);
    plan.rf.emission.ratio_time = std::max(emission->ratio_time, rounds);
}

// While a ratio is averaged, what comes back is bounded by its own limit alone.
void check_emission(Draft& draft) {
    const core::Plan& plan = draft.plan();
    if (plan.rf.emission.ratio_time == core::Duration::zero() || !plan.roles.reflected) return;
    const bool bounded = std::any_of(plan.limits.begin(), plan.limits.end(), [&](const core::LimitPlan& limit) {
        return limit.watch == *plan.roles.reflected && limit.direction == core::Direction::above &&
               core::surely_trips(limit, {});
    });
    if (!bounded)
        draft.report.fault(draft.emission_place, "emission",
                           fmt::format("VSWR is averaged over {}, and no limit on reflected power stands meanwhile",
                                       show(plan.rf.emission.ratio_time)),
                           "a limit that watches 'reflected' without 'while:'");
}

}  // namespace dekeyd::formats
