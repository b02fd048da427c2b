// Reads an oracle's random cases and works them out with core. Prints the number of cases and the largest difference
// per quantity; fails on any that is too large, on an interval without the truth, and on a missing case.
// Usage: oracle_compare networks|mismatch|budgets|knees|corrections|drives|coolings|warmings|trends|heat CASES <
// cases.csv
#include <algorithm>
#include <cmath>
#include <cstdio>
#include <cstdlib>
#include <iostream>
#include <map>
#include <string>
#include <string_view>
#include <vector>

#include "maths/ambient_trend.hpp"
#include "maths/cooling.hpp"
#include "maths/correction.hpp"
#include "maths/drive.hpp"
#include "maths/level_budget.hpp"
#include "maths/power.hpp"
#include "maths/rf.hpp"
#include "maths/thermal.hpp"
#include "maths/uncertainty.hpp"
#include "measure/derived.hpp"

using namespace dekeyd::core;

namespace {

class Report {
public:
    void near(const std::string& quantity, double ours, double truth, double allowed) {
        Line& line = lines_[quantity];
        const double off = std::abs(ours - truth);
        ++line.cases;
        line.allowed = allowed;
        if (!(off <= line.largest)) line.largest = off;  // NaN too
        if (!(off <= allowed)) fail(quantity, ours, truth);
    }
    void contains(const std::string& quantity, const Estimate& interval, double truth) {
        // Rounding only: the cases at the very end of their interval are in.
        const double slack = 1e-9 * std::max(1.0, std::abs(truth));
        share(quantity, interval.low - slack <= truth && truth <= interval.high + slack, 1.0);
    }
    void share(const std::string& quantity, bool inside, double least) {
        Line& line = lines_[quantity];
        ++line.cases;
        line.inside += inside ? 1 : 0;
        line.least = least;
    }
    void fail(const std::string& quantity, double ours, double truth) {
        if (++failures_ <= 10) std::printf("%s: ours %.9g, truth %.9g\n", quantity.c_str(), ours, truth);
    }
    bool print() {
        for (const auto& [quantity, line] : lines_) {
            if (line.least > 0) {
                const double inside = static_cast<double>(line.inside) / line.cases;
                std::printf("%-44s %5d cases, inside in %.2f %% (at least %.1f %%)\n", quantity.c_str(), line.cases,
                            100 * inside, 100 * line.least);
                if (inside < line.least) ++failures_;
            } else {
                std::printf("%-44s %5d cases, largest difference %.3g (allowed %.3g)\n", quantity.c_str(), line.cases,
                            line.largest, line.allowed);
            }
        }
        return failures_ == 0 && !lines_.empty();
    }

private:
    struct Line {
        int cases = 0;
        int inside = 0;
        double largest = 0.0;
        double allowed = 0.0;
        double least = 0.0;
    };
    std::map<std::string, Line> lines_;
    int failures_ = 0;
};

using Row = std::vector<double>;

// Numbers between commas; words count as NaN.
Row numbers(const std::string& line) {
    Row row;
    for (std::size_t at = 0; at <= line.size();) {
        const std::size_t comma = std::min(line.find(',', at), line.size());
        const std::string field = line.substr(at, comma - at);
        char* end = nullptr;
        const double value = std::strtod(field.c_str(), &end);
        row.push_back(end != field.c_str() && *end == '\0' ? value : std::nan(""));
        at = comma + 1;
    }
    return row;
}

Reading good(double value) {
    Reading reading;
    reading.value = reading.low = reading.high = value;
    reading.health = Health::good;
    reading.fault = Fault::none;
    return reading;
}

PowerChain chain_of(double slope, double intercept, double coupling, double pads, double cable) {
    PowerChain chain;
    chain.detector = LogDetector{slope, intercept};
    chain.coupling_db = coupling;
    chain.pads_db = pads;
    chain.cable_db = cable;
    chain.floor_dbm = -190;
    chain.ceiling_dbm = 60;
    return chain;
}

void networks(const Row& r, Report& report) {
    const double coupling = r[3];
    // Forward is sampled before the coupler's own loss, and is wanted behind it.
    const auto forward =
        line_power(chain_of(r[1], r[2], coupling - coupler_main_line_loss_db(coupling), r[8], r[9]), r[0], {});
    const auto reflected = line_power(chain_of(r[5], r[6], r[7], r[8], r[9]), r[4], {});
    RfPlan rf;
    rf.directivity_db = r[10];
    rf.feeder_loss_db = r[11];
    const bool leaky = r[12] != 0.0;
    const bool matched_feeder = r[13] != 0.0;
    const Reflections all{LineFactors{rf},
                          {good(forward.watts), good(reflected.watts), good(forward.watts)},
                          BracketState::measurable,
                          1.0};
    const auto interval = [](const Reading& x) { return Estimate{x.value, x.low, x.high}; };
    report.contains("reflection in its interval", interval(all.reflection()), r[15]);
    if (r[15] < 0.9999) report.contains("VSWR in its interval", interval(all.vswr()), r[16]);
    if (matched_feeder) {
        report.contains("VSWR at the antenna in its interval", interval(all.antenna_vswr()), (1 + r[19]) / (1 - r[19]));
    }
    if (leaky) return;
    report.near("forward power, relative", forward.watts / r[14], 1.0, 1e-9);
    report.near("reflection", all.reflection().value, r[15], 1e-9);
    report.near("VSWR, relative", all.vswr().value / r[16], 1.0, 1e-6);
    if (r[15] > 1e-6) report.near("return loss, dB", all.return_loss().value, r[17], 1e-6);
    report.near("net power, relative to forward", all.net_power().value / r[14], r[18] / r[14], 1e-9);
    if (!matched_feeder) return;
    report.near("reflection at the antenna", reflection_at_far_end(all.reflection().value, r[11]), r[19], 1e-9);
    report.near("power at the antenna, relative to forward", all.antenna_power().value / r[14], r[20] / r[14], 1e-9);
}

void mismatch(const Row& r, Report& report) {
    const auto percent = mismatch_percent(r[0], r[1]);
    // The head is given `r[2]` times what a matched source would give; the truth is 1/r[2] of the reading.
    report.contains("mismatch in its interval", {0.0, percent.low, percent.high}, 100 * (1 / r[2] - 1));
    report.contains("mismatch in dB in its interval", {0.0, 0.0, mismatch_uncertainty_db(r[0], r[1])},
                    std::abs(10 * std::log10(r[2])));
}

void budgets(const Row& r, Report& report) {
    auto chain = chain_of(r[1], r[2], r[3], r[4], r[5]);
    chain.conformance_db = r[6];
    chain.calibration_db = r[7];
    chain.temperature_db = r[8];
    chain.coupling_tolerance_db = r[9];
    chain.converter_db = r[10];
    chain.mismatch_db = r[11];
    const auto budget = power_budget(chain);
    const auto power = line_power(chain, r[0], {});
    const auto combined = power_estimate(power, budget);
    const auto worst = worst_power_estimate(power, budget);
    report.share("forward power in its interval at k = 2", combined.low <= r[12] && r[12] <= combined.high, 0.95);
    report.share("forward power in its worst case", worst.low <= r[12] && r[12] <= worst.high, 0.999);
}

void knees(const Row& r, Report& report) {
    const Stage stage{"amplifier", r[1], {}, r[2], r[0]};
    const auto input = stage_input_dbm(stage, r[4]);
    const auto room = head_room_to_1_db(r[5], r[0]);
    report.near("output for a drive, dB", stage_output_dbm(stage, r[3]), r[4], 1e-8);
    report.near("drive for an output, dB", input ? *input : std::nan(""), r[3], 1e-6);
    report.near("head-room of the output, dB", room ? room->output_db : std::nan(""), r[6], 1e-7);
    report.near("head-room of the drive, dB", room ? room->drive_db : std::nan(""), r[7], 1e-7);
}

void corrections(const Row& r, Report& report) {
    PowerChain chain = chain_of(r[0], r[1], 0.0, 0.0, 0.0);
    std::vector<ComparedLevel> levels;
    for (std::size_t i = 0; i < static_cast<std::size_t>(r[3]); ++i)
        levels.push_back({.volts = r[4 + 2 * i], .dbm = r[5 + 2 * i], .doubt_db = r[20]});
    chain.correction = correction_from(chain.detector, levels, r[2]);
    if (!chain.correction) return report.fail("a correction", 0.0, 1.0);
    report.near("level at the detector, dB", chain_dbm(chain, r[21]), r[22], 1e-9);
    report.near("volts for that level", chain_volts(chain, r[22]), r[21], 1e-9);
    // The conformance is measured to a thousandth of the span at best, there and here.
    report.near("doubt of the level, dB", correction_doubt_db(*chain.correction, detector_dbm(chain.detector, r[21])),
                r[23], 2e-3);
}

void drives(const Row& r, Report& report) {
    const Stage chain[]{{"driver", r[0], {}, r[1]}, {"pad", -r[2], {}, {}}, {"amplifier", r[3], {}, r[4]}};
    const LevelBudget budget = level_budget(
        chain, {.exciter_lowest_dbm = -150, .exciter_highest_dbm = 150, .wanted_dbm = r[5], .wanted_after = 2});
    for (const std::size_t i : {std::size_t{0}, std::size_t{2}}) {
        const double back_off_db = r[7 + i], drive_db = r[8 + i];
        const DriveAnswer answer = assess_drive(
            {.level_dbm = budget.levels[i].output_dbm, .one_db_dbm = chain[i].one_db_output_dbm, .advised_db = r[6]});
        const std::string name{chain[i].name};
        report.near(name + " below its 1 dB point, dB", answer.back_off_db, back_off_db, 1e-6);
        report.near(name + "'s drive too high by, dB", answer.drive_db, drive_db, 1e-6);
        report.share(name + "'s verdict", (answer.verdict == DriveVerdict::too_high) == (drive_db > drive_tolerance_db),
                     1.0);
    }
}

void coolings(const Row& r, Report& report) {
    const Cooling cooling{r[0], r[1], r[2], r[3], r[4], r[5]};
    const double level_c = r[6], fits_w = power_that_fits_w(cooling, level_c, r[2]);
    report.near("where it settles, K", settling_at_c(cooling, r[2]), r[7], 1e-4);
    report.near("power that fits, of the power", fits_w / r[2], r[8] / r[2], 2e-3);
    report.share("no more than fits", fits_w <= r[8] + 1e-6 * r[2], 1.0);
    report.near("duty that fits", duty_that_fits(cooling, level_c, r[2]), r[9], 1e-4);
}

void warmings(const Row& r, Report& report) {
    const double after_c = temperature_after(r[0], r[1], r[2], r[4]) + heatsink_rise_k(r[3], r[2], r[4]);
    report.near("temperature in air that grows warmer, K", after_c, r[6], 1e-3);
    const double ours_s = seconds_until_warming(r[0], r[1], r[2], r[3], r[5]);
    // Where the limit is barely reached, the moment isn't sharp.
    if (r[7] >= 0.0) report.near("time to the limit, of a time constant", ours_s / r[2], r[7] / r[2], 0.01);
    report.share("reached or never, as it is", (ours_s < unbounded) == (r[7] >= 0.0), 1.0);
}

void trends(const Row& r, Report& report) {
    AmbientTrend trend;
    for (std::size_t i = 2; i < r.size(); ++i) trend.update(i == 2 ? 0.0 : 60.0, r[i]);
    const auto found = trend.k_per_h();
    report.share("known after an hour", found.has_value(), 1.0);
    if (!found) return;
    report.near("trend to numpy's polyfit, K/h", found->value, r[1], 1e-6);
    report.share("true trend in its interval", found->low <= r[0] && r[0] <= found->high, 0.95);
    if (!(r[0] > 0.0)) report.share("no sure warming in air that cools", sure_warming(found).value == 0.0, 0.97);
}

struct HeatCase {
    ThermalFit fit;
    bool ambient_measured = false;
    double temperature = 0.0;
};

void heat_truth(const HeatCase& c, const Row& r, Report& report) {
    const auto e = c.fit.estimate(r[1]);
    report.share("settling temperature known after one tau", e.settling_known, 0.95);
    if (!e.settling_known) return;
    report.near("settling temperature, K", e.settling_c.value, r[2], 2.0);
    report.share("settling temperature in its interval", e.settling_c.low <= r[2] && r[2] <= e.settling_c.high, 0.95);
    const double tau = e.time_constant_s.value;
    report.near("time to the limit, in time constants",
                seconds_until(c.temperature, e.settling_c.value, tau, r[3]) / r[8], r[4] / r[8], 0.25);
    report.near("temperature in half an hour, K", temperature_after(c.temperature, e.settling_c.value, tau, 1800), r[5],
                2.0);
    if (!e.resistance_known) return;
    const double allowed = c.ambient_measured ? 0.06 : 0.12;
    const std::string basis = c.ambient_measured ? "measured" : "assumed";
    const double resistance = e.resistance_k_per_w.value;
    report.share("resistance in its interval", e.resistance_k_per_w.low <= r[7] && r[7] <= e.resistance_k_per_w.high,
                 0.9);
    report.near("resistance to scipy's fit, relative, ambient " + basis, resistance / r[6], 1.0, allowed);
    report.near("resistance to the truth, relative, ambient " + basis, resistance / r[7], 1.0, allowed);
}

}  // namespace

int main(int argc, char** argv) {
    if (argc != 3) {
        std::fputs(
            "usage: oracle_compare networks|mismatch|budgets|knees|corrections|drives|coolings|warmings|trends|heat "
            "CASES < "
            "cases.csv\n",
            stderr);
        return 2;
    }
    const std::string what = argv[1];
    const long expected = std::strtol(argv[2], nullptr, 10);
    struct Kind {
        void (*compare)(const Row&, Report&);
        std::size_t columns;
    };
    const std::map<std::string, Kind> kinds{
        {"networks", {networks, 21}}, {"mismatch", {mismatch, 3}},        {"budgets", {budgets, 13}},
        {"knees", {knees, 8}},        {"corrections", {corrections, 24}}, {"drives", {drives, 11}},
        {"coolings", {coolings, 10}}, {"warmings", {warmings, 8}},        {"trends", {trends, 62}}};
    const auto kind = kinds.find(what);
    if (kind == kinds.end() && what != "heat") {
        std::fprintf(stderr, "oracle_compare: no comparison '%s'\n", what.c_str());
        return 2;
    }

    Report report;
    HeatCase heating;
    int cases = 0;
    bool ended = false;
    for (std::string line; std::getline(std::cin, line);) {
        if (line.empty() || line.front() == '#') continue;
        ended = line == "end";
        if (ended) break;
        const Row row = numbers(line);
        if (kind != kinds.end()) {
            if (row.size() != kind->second.columns) break;
            kind->second.compare(row, report);
            ++cases;
        } else if (line.starts_with("case,") && row.size() == 2) {
            heating = {{}, row[1] != 0.0, 0.0};
        } else if (line.starts_with("s,") && row.size() == 4) {
            heating.temperature = row[1];
            heating.fit.update(1.0, row[1], row[2], heating.ambient_measured ? std::optional{row[3]} : std::nullopt);
        } else if (line.starts_with("truth,") && row.size() == 9) {
            heat_truth(heating, row, report);
            ++cases;
        } else {
            break;
        }
    }
    std::printf("%s: %d cases\n", what.c_str(), cases);
    const bool fine = report.print();
    if (!ended || cases != expected) {
        std::printf(
            "expected %ld cases and an end: the oracle stopped early (its Python needs python3-numpy, "
            "python3-scipy and python3-scikit-rf)\n",
            expected);
        return 1;
    }
    return fine ? 0 : 1;
}
