#include "dekeyctl/explain/explain.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "configuration/calibration.hpp"
#include "core/limit.hpp"
#include "dekeyctl/json_output.hpp"
#include "dekeyctl/text.hpp"
#include "maths/correction.hpp"
#include "maths/exposure.hpp"
#include "maths/level_budget.hpp"
#include "maths/rf.hpp"
#include "maths/uncertainty.hpp"
#include "messages/exposure_json.hpp"
#include "words/json_number.hpp"
#include "words/units.hpp"

namespace dekeyd::ctl {

using core::Unit;
using formats::show;

namespace {

std::string percent_pair(double half_width_db) {
    const core::PercentInterval percent = core::percent_from_db(half_width_db);
    return fmt::format("{:+.0f} % {:+.0f} %", percent.low, percent.high);
}

double shift_db(const core::PowerChain& chain) {
    return chain.coupling_db + chain.pads_db + chain.cable_db + chain.waveform_db;
}

/// One power at what is usual for it: rated, the reflected trip or a tenth, the largest drive.
struct PowerFacts {
    const core::Channel* channel;
    double usual_w;
    core::DetectorLevel usual;
    core::PowerBudget budget;
    core::Estimate estimate;  ///< of the usual power
    [[nodiscard]] const core::PowerChain& chain() const { return *channel->power; }
};

std::vector<PowerFacts> power_facts(const formats::Configuration& configuration) {
    const core::Plan& plan = configuration.plan;
    std::vector<PowerFacts> all;
    for (std::size_t i = 0; i < plan.channels.size(); ++i) {
        const core::Channel& channel = plan.channels[i];
        if (!channel.power) continue;
        double usual_w = plan.rf.rated_w;
        if (plan.roles.reflected == i) usual_w = plan.rf.rated_w / 10.0;
        if (plan.roles.drive == i) usual_w = configuration.maximum_drive_w.value_or(1.0);
        if (!(usual_w > 0.0)) usual_w = 1.0;
        const core::PowerBudget budget = core::power_budget_at(*channel.power, usual_w);
        core::LinePower power;
        power.watts = usual_w;
        all.push_back({.channel = &channel,
                       .usual_w = usual_w,
                       .usual = core::detector_level(*channel.power, core::dbm_from_watts(usual_w)),
                       .budget = budget,
                       .estimate = core::power_estimate(power, budget)});
    }
    return all;
}

struct VswrRow {
    double shown;
    core::Estimate estimate;
    double return_loss_db;
    std::optional<double> at_antenna;  ///< none: more than can be
    [[nodiscard]] bool open() const { return estimate.high >= 1.0e6; }
};
struct VswrFacts {
    double ratio_db;
    std::vector<VswrRow> rows;
};

VswrFacts vswr_facts(const core::Plan& plan) {
    const double rated_w = plan.rf.rated_w > 0.0 ? plan.rf.rated_w : 1.0;
    const auto budget = [&](std::uint16_t channel, double at_w) {
        return core::power_budget_at(*plan.channels[channel].power, at_w);
    };
    VswrFacts facts{
        core::ratio_uncertainty_db(budget(*plan.roles.forward, rated_w), budget(*plan.roles.reflected, rated_w / 10.0)),
        {}};
    for (const double shown : {1.05, 1.1, 1.2, 1.5, 2.0, 3.0, 5.0}) {
        const double gamma = core::reflection_from_vswr(shown);
        const double far = core::reflection_at_far_end(gamma, plan.rf.feeder_loss_db);
        facts.rows.push_back({shown, core::vswr_estimate(gamma, plan.rf.directivity_db, facts.ratio_db),
                              core::return_loss_db(gamma),
                              far < 1.0 ? std::optional{core::vswr_from_reflection(far)} : std::nullopt});
    }
    return facts;
}

std::string at_line(const core::PowerChain& chain, double detector_dbm) {
    const double dbm = detector_dbm + shift_db(chain);
    return fmt::format("{} ({:.1f} dBm on the line, {:.1f} dBm at the detector, {:.3f} V)",
                       show(core::watts_from_dbm(dbm), Unit::watt), dbm, detector_dbm,
                       core::chain_volts(chain, detector_dbm));
}

void add_chain(Rows& rows, const PowerFacts& facts) {
    const core::PowerChain& chain = facts.chain();
    const double shift = shift_db(chain);
    const core::DetectorLevel& usual = facts.usual;
    rows.push_back(fmt::format("  {:<34}{:>9}    such as", "", ""));
    rows.push_back(fmt::format("  {:<34}{:>9}    {:.3f} V", "at the converter", "", usual.volts));
    rows.push_back(fmt::format("  {:<34}{:>9}    {:.2f} dBm", "the detector makes of it", "", usual.dbm));
    const auto term = [&](const char* name, double db) {
        rows.push_back(fmt::format("  + {:<32}{:>6.2f} dB", name, db));
    };
    term("coupling", chain.coupling_db);
    term("pads", chain.pads_db);
    term("cable to the detector", chain.cable_db);
    term("waveform", chain.waveform_db);
    if (chain.temperature_channel)
        rows.push_back(fmt::format("  + {:<32}{:>6.3f} dB per K above {:g} °C", "detector's drift",
                                   chain.temperature_db_per_k, chain.temperature_reference_c));
    rows.push_back(fmt::format("  = {:<32}{:>6.2f} dB    {:.2f} dBm = {}", "power on the line", shift,
                               usual.dbm + shift, show(facts.usual_w, Unit::watt)));
}

void add_budget(Rows& rows, const PowerFacts& facts) {
    const core::PowerBudget& budget = facts.budget;
    rows.push_back(
        fmt::format("  {:<20}{:>12}{:>14}   {}", "what isn't known", "stated", "at k = 2", "how it is spread"));
    for (const core::BudgetTerm& term : budget.terms)
        rows.push_back(fmt::format("  {:<20}{:>12}{:>14}   {}", term.name, fmt::format("± {:.2f} dB", term.stated_db),
                                   fmt::format("± {:.2f} dB", term.at_k2_db), core::text(term.spread)));
    rows.push_back(fmt::format("  {:<20}{:>12}{:>14}   {}", "all together", "",
                               fmt::format("± {:.2f} dB", budget.combined_db), percent_pair(budget.combined_db)));
    rows.push_back(fmt::format("  {:<20}{:>12}{:>14}   {}", "at the very worst",
                               fmt::format("± {:.2f} dB", budget.worst_db), "", percent_pair(budget.worst_db)));
    const double usual_w = facts.usual_w;
    const core::Estimate& estimate = facts.estimate;
    add(rows, fmt::format("{} shown is {} ± {:.0f} %: the true power lies between {} and {} in 95 of 100 such cases.",
                          show(usual_w, Unit::watt), show(usual_w, Unit::watt),
                          core::percent_from_db(budget.combined_db).high, show(estimate.low, Unit::watt),
                          show(estimate.high, Unit::watt)));
}

/// Where the law was compared, how well it is known from there on, and loudly what lies beyond.
void add_correction(Rows& rows, const core::Plan& plan, const core::PowerChain& chain) {
    const auto& points = chain.correction->points;
    const auto line_dbm = [&](const core::CorrectionPoint& p) { return p.shown_dbm + p.add_db + shift_db(chain); };
    const double last_dbm = line_dbm(points.back());
    const auto doubt = [&](double dbm) { return core::power_budget(chain, dbm - shift_db(chain)).combined_db; };
    add(rows,
        fmt::format("Compared at {} level{} from {} to {}: there within ± {:.2f} dB or so, 5 dB beyond ± {:.2f} dB, "
                    "10 dB beyond ± {:.2f} dB.",
                    points.size(), points.size() == 1 ? "" : "s",
                    show(core::watts_from_dbm(line_dbm(points.front())), Unit::watt),
                    show(core::watts_from_dbm(last_dbm), Unit::watt), doubt(last_dbm), doubt(last_dbm + 5.0),
                    doubt(last_dbm + 10.0)));
    for (const formats::BeyondCalibration& beyond : formats::beyond_calibration(plan))
        if (&*plan.channels[beyond.channel].power == &chain)
            add(rows, fmt::format("BEYOND THE CALIBRATION: of the limit '{}' {}.", plan.limits[beyond.limit].id,
                                  formats::sentence(plan, beyond)));
}

void add_power(Rows& rows, const formats::Configuration& configuration, const PowerFacts& facts) {
    const core::Channel& channel = *facts.channel;
    const core::PowerChain& chain = facts.chain();
    rows.push_back(fmt::format("{} ({}): {}", channel.name, channel.id, law(chain.detector)));
    for (const formats::Calibration& calibration : configuration.calibrations)
        if (calibration.sensor == channel.id)
            add(rows, fmt::format("Calibrated {} against {} (± {:.2f} dB){}: {}.", calibration.date,
                                  calibration.reference, calibration.reference_db,
                                  calibration.temperature_c
                                      ? fmt::format(" at {}", show(*calibration.temperature_c, Unit::celsius))
                                      : "",
                                  calibration.file));
    if (chain.correction) add_correction(rows, configuration.plan, chain);
    add_chain(rows, facts);
    rows.emplace_back();
    add_budget(rows, facts);
    add(rows, fmt::format("Smallest power that it can measure: {}. Less counts as no power, and is no fault.",
                          at_line(chain, chain.floor_dbm)));
    add(rows, fmt::format("Largest: {}. More is 'at least so much', and trips every limit above.",
                          at_line(chain, chain.ceiling_dbm)));
    if (!configuration.calibrations.empty() || chain.conformance_db < 1.0) {
        rows.emplace_back();
        return;
    }
    add(rows,
        "Its conformance is the largest term: a log detector follows its law within 1 dB or so. A calibration "
        "against a borrowed power meter takes most of that away ('dekeyctl calibrate').");
    rows.emplace_back();
}

void add_vswr(Rows& rows, const formats::Configuration& configuration) {
    const core::Plan& plan = configuration.plan;
    const core::RfPlan& rf = plan.rf;
    const VswrFacts facts = vswr_facts(plan);
    rows.push_back(rf.directivity_db
                       ? fmt::format("VSWR at the coupler: directivity {}, forward against reflected ± {:.2f} dB",
                                     show(*rf.directivity_db, Unit::decibel), facts.ratio_db)
                       : "VSWR at the coupler: without directivity nothing can be said of how far it may be trusted");
    rows.push_back(fmt::format("  {:<8}{:<24}{:<14}{}", "shown", "the true one lies in", "return loss",
                               rf.feeder_loss_db > 0.0 ? "at the antenna, if as shown" : ""));
    for (const VswrRow& row : facts.rows) {
        const core::Estimate& estimate = row.estimate;
        const std::string interval = row.open() ? fmt::format("{:.2f} to no end", estimate.low)
                                                : fmt::format("{:.2f} to {:.2f}", estimate.low, estimate.high);
        rows.push_back(fmt::format("  {:<8.2f}{:<24}{:<14}{}", row.shown, interval,
                                   fmt::format("{:.1f} dB", row.return_loss_db),
                                   rf.feeder_loss_db <= 0.0 ? ""
                                   : row.at_antenna         ? fmt::format("{:.2f}", *row.at_antenna)
                                                            : "more than can be"));
    }
    if (rf.directivity_db) {
        const auto perfect = core::indicated_interval(0.0, *rf.directivity_db, core::LeakyArms::both);
        add(rows, fmt::format("A perfect load may read up to VSWR {:.3f}.", core::vswr_from_reflection(perfect.high)));
    }
    add(rows, fmt::format("Under {} forward it is not measurable, which is neither good nor bad.",
                          show(rf.minimum_forward_w, Unit::watt)));
    if (rf.feeder_loss_db > 0.0)
        add(rows, fmt::format("A lost antenna behind {} of feeder reads VSWR {:.2f}, a return loss of {}: a trip must "
                              "lie below it.",
                              show(rf.feeder_loss_db, Unit::decibel),
                              core::vswr_from_reflection(core::lost_antenna_reflection(rf.feeder_loss_db)),
                              show(2.0 * rf.feeder_loss_db, Unit::decibel)));
    for (const core::LimitPlan& limit : plan.limits)
        if (limit.watch == plan.index(core::Derived::vswr) && core::may_trip(limit, {}))
            add(rows, fmt::format("The limit '{}' trips when {} is at or above {}.", limit.id,
                                  limit.edge == core::Edge::high  ? "the interval's upper end"
                                  : limit.edge == core::Edge::low ? "the interval's lower end"
                                                                  : "the reading",
                                  show(limit.trip, Unit::none)));
    rows.emplace_back();
}

}  // namespace

std::string law(const core::Detector& detector) {
    if (const auto* log = std::get_if<core::LogDetector>(&detector))
        return fmt::format("a log law of {:g} mV/dB with its intercept at {:g} dBm", 1000.0 * log->slope_v_per_db,
                           log->intercept_dbm);
    if (const auto* table = std::get_if<core::TableDetector>(&detector))
        return fmt::format("a table of {} points from {:g} to {:g} dBm, linear in dB between them",
                           table->points.size(), table->points.front().dbm, table->points.back().dbm);
    return fmt::format("a square law of {:g} mV/mW", std::get<core::SquareLawDetector>(detector).volts_per_watt);
}

void add(Rows& rows, const std::string& text) {
    for (std::string& row : paragraph(text, rows.width)) rows.push_back(std::move(row));
}

std::vector<std::string> paragraph(const std::string& text, std::size_t width, const std::string& indent) {
    std::vector<std::string> rows;
    std::string before = indent;
    for (const std::string& row : wrap(text, width - 2 * indent.size())) {
        rows.push_back(before + row);
        before = indent + indent;
    }
    return rows;
}

std::vector<std::string> exposure_rows(const formats::Configuration& configuration, std::size_t width) {
    Rows rows{width};
    if (!configuration.antenna) return rows;
    const formats::AntennaConfig& antenna = *configuration.antenna;
    core::ExposureInput input = formats::exposure_input(configuration);
    const core::Exposure sent = core::assess_exposure(input);
    rows.emplace_back("Exposure near the antenna");
    add(rows,
        fmt::format("{} at the amplifier (the trip), {:+.2f} dB that the reading may be low, {:.2f} dB lost on the "
                    "way, {:.1f} dBi{}: EIRP {}, {} on average to the antenna with a duty of {:g} %.",
                    show(input.power_w, Unit::watt), input.uncertainty_db, input.feeder_loss_db, antenna.gain_dbi,
                    antenna.dish ? fmt::format(" (a dish of {:g} m, {:g} %)", antenna.dish->diameter_m,
                                               100.0 * antenna.dish->efficiency)
                                 : "",
                    show(sent.eirp_w, Unit::watt), show(sent.antenna_power_w, Unit::watt), 100.0 * antenna.duty));
    if (antenna.dish) {
        const core::ApertureFields fields =
            core::aperture_fields(sent.antenna_power_w, *antenna.dish, input.frequency_hz);
        add(rows, fmt::format("On the beam's axis: {:.3g} W/m² at the dish, {:.3g} W/m² in the near field to {:.3g} m, "
                              "far field from {:.3g} m.",
                              fields.surface_w_per_m2, fields.near_w_per_m2 * input.ground_factor, fields.near_end_m,
                              fields.far_begin_m));
    }
    if (configuration.exposure.empty())
        add(rows, "No limit is configured ('exposure: {rule: icnirp-2020}'), so no distance is worked out.");
    for (const formats::ExposureCase& limit : configuration.exposure) {
        input.limit_w_per_m2 = limit.w_per_m2;
        const core::Exposure exposure = core::assess_exposure(input);
        const std::string distance =
            exposure.distance_m >= core::unbounded ? "unknown"
            : exposure.zone == core::ExposureZone::none
                ? (exposure.surface_exceeds ? "not before the dish, but at it" : "reached nowhere in front")
                : fmt::format("{:.1f} m", exposure.distance_m);
        rows.push_back(fmt::format(
            "  {:<16}{:>10.3g} W/m²   {:<12}{}", limit.name, limit.w_per_m2, distance,
            limit.averaging_s > 0.0 ? fmt::format("averaged over {}", show(limit.averaging_s, Unit::second)) : ""));
        if (!limit.edition.empty()) rows.push_back(fmt::format("  {:<16}{}", "", limit.edition));
    }
    add(rows, fmt::format("In the main beam, with {:g} for the ground's reflection; S = P G / (4 π r²) (FCC OET "
                          "Bulletin 65{}).",
                          input.ground_factor, antenna.dish ? ", and its aperture formulae" : ""));
    add(rows, std::string{core::exposure_caution});
    rows.emplace_back();
    return rows;
}

std::vector<std::string> explain(const formats::Configuration& configuration, std::size_t width) {
    Rows rows{width};
    const core::Plan& plan = configuration.plan;
    rows.push_back(
        fmt::format("{} ({}){}", configuration.name, configuration.id,
                    configuration.frequency_hz ? fmt::format(", {:.6g} MHz", *configuration.frequency_hz / 1e6) : ""));
    rows.emplace_back();
    const std::vector<PowerFacts> powers = power_facts(configuration);
    for (const PowerFacts& facts : powers) add_power(rows, configuration, facts);
    if (powers.empty()) rows.emplace_back("No power is measured, so there is no chain from volts to watts.");
    if (plan.roles.forward && plan.roles.reflected) add_vswr(rows, configuration);
    for (std::string& row : exposure_rows(configuration, width)) rows.push_back(std::move(row));
    while (!rows.empty() && rows.back().empty()) rows.pop_back();
    return rows;
}

nlohmann::ordered_json explain_json(const formats::Configuration& configuration) {
    using formats::json_number;
    const core::Plan& plan = configuration.plan;
    nlohmann::ordered_json powers = nlohmann::ordered_json::array();
    nlohmann::ordered_json all_beyond = nlohmann::ordered_json::array();
    for (const formats::BeyondCalibration& beyond : formats::beyond_calibration(plan))
        all_beyond.push_back({{"limit", plan.limits[beyond.limit].id},
                              {"sensor", plan.channels[beyond.channel].id},
                              {"beyond_db", json_number(beyond.beyond_db)},
                              {"highest_w", json_number(beyond.highest_w)},
                              {"low_w", json_number(beyond.low_w)},
                              {"high_w", json_number(beyond.high_w)}});
    for (const PowerFacts& facts : power_facts(configuration)) {
        const core::PowerChain& chain = facts.chain();
        const auto at_line_w = [&](double dbm) { return json_number(core::watts_from_dbm(dbm + shift_db(chain))); };
        nlohmann::ordered_json budget = nlohmann::ordered_json::array();
        for (const core::BudgetTerm& term : facts.budget.terms)
            budget.push_back({{"name", term.name},
                              {"stated_db", json_number(term.stated_db)},
                              {"at_k2_db", json_number(term.at_k2_db)},
                              {"spread", core::text(term.spread)}});
        powers.push_back({{"id", facts.channel->id},
                          {"name", facts.channel->name},
                          {"law", law(chain.detector)},
                          {"coupling_db", json_number(chain.coupling_db)},
                          {"pads_db", json_number(chain.pads_db)},
                          {"cable_db", json_number(chain.cable_db)},
                          {"waveform_db", json_number(chain.waveform_db)},
                          {"floor_w", at_line_w(chain.floor_dbm)},
                          {"ceiling_w", at_line_w(chain.ceiling_dbm)},
                          {"budget", std::move(budget)},
                          {"combined_db", json_number(facts.budget.combined_db)},
                          {"worst_db", json_number(facts.budget.worst_db)},
                          {"such_as",
                           {{"volts", json_number(facts.usual.volts)},
                            {"detector_dbm", json_number(facts.usual.dbm)},
                            {"w", json_number(facts.usual_w)},
                            {"low_w", json_number(facts.estimate.low)},
                            {"high_w", json_number(facts.estimate.high)}}}});
    }
    nlohmann::ordered_json vswr = nullptr;
    if (plan.roles.forward && plan.roles.reflected) {
        const VswrFacts facts = vswr_facts(plan);
        vswr = {{"directivity_db", number_or_null(plan.rf.directivity_db)},
                {"ratio_db", json_number(facts.ratio_db)},
                {"minimum_forward_w", json_number(plan.rf.minimum_forward_w)},
                {"rows", nlohmann::ordered_json::array()}};
        for (const VswrRow& row : facts.rows)
            vswr["rows"].push_back(
                {{"shown", row.shown},
                 {"low", json_number(row.estimate.low)},
                 {"high", row.open() ? nlohmann::ordered_json(nullptr) : json_number(row.estimate.high)},
                 {"return_loss_db", json_number(row.return_loss_db)},
                 {"at_antenna", number_or_null(row.at_antenna)}});
    }
    return {{"id", configuration.id},
            {"name", configuration.name},
            {"frequency_hz", number_or_null(configuration.frequency_hz)},
            {"powers", std::move(powers)},
            {"beyond_calibration", std::move(all_beyond)},
            {"vswr", std::move(vswr)},
            {"exposure", formats::exposure_json(configuration)}};
}

}  // namespace dekeyd::ctl
