// What a running amplifier says of its drive and its cooling, against the bench's truth. Prints how often it was right;
// a false reassurance fails. Usage: sentences AMPLIFIERS
#include <algorithm>
#include <cmath>
#include <cstdio>
#include <cstdlib>
#include <string>

#include "loop.hpp"
#include "words/cooling_text.hpp"
#include "words/drive_text.hpp"

using namespace oracle;
using dekeyd::formats::cooling_text;
using dekeyd::formats::drive_text;

namespace {

constexpr double advised_db = 4.5;  // as the annotated configuration has for 8PSK
constexpr double thermal_speed = 200.0;

/// Output at 1 dB of compression, by Rapp's law (C. Rapp, 1991; from memory) in powers.
double one_db_forward_w(const bench::Parameters& p) {
    return p.saturated_w * std::pow(std::pow(10.0, p.smoothness / 10.0) - 1.0, 1.0 / p.smoothness) *
           std::pow(10.0, -0.1);
}

Plan sentence_plan(const Case& c, double trip_c) {
    Plan p = plan_for(c.directivity_db);
    p.rf.rated_w = 0.0;  // no other power than now's is planned
    p.rf.small_signal_gain_db = c.parameters.small_signal_gain_db;
    p.rf.one_db_forward_w = one_db_forward_w(c.parameters);
    p.rf.emission.name = "8PSK";
    p.rf.emission.back_off_db = advised_db;
    LimitPlan limit;
    limit.id = limit.name = "heatsink";
    limit.watch = heatsink;
    limit.trip = trip_c;
    limit.clear = trip_c - 0.5;
    limit.qualify = 24h;  // it is never to trip here
    p.limits.push_back(limit);
    return p;
}

double settles_c(const Case& c, const bench::Truth& truth) {
    return truth.ambient_c + truth.heat_w * c.parameters.heat.sink_to_air_blown_k_per_w;
}

bool begins(const std::string& text, const char* with) {
    return text.rfind(with, 0) == 0;
}

struct Count {
    int cases = 0, right = 0, wrong = 0;  // the others aren't sure, or strict
    void print(const char* what) const {
        std::printf("  %-58s %4d cases, right %4d, unsure or strict %4d, falsely reassuring %4d\n", what, cases, right,
                    cases - right - wrong, wrong);
    }
};

/// "3.1 dB below the 1 dB point": that number.
double below_db(const std::string& text) {
    const std::size_t end = text.find(" dB below the 1 dB point");
    if (end == std::string::npos) return NAN;
    return std::strtod(text.c_str() + text.rfind(' ', end - 1), nullptr);
}

}  // namespace

int main(int argc, char** argv) {
    const int amplifiers = argc > 1 ? std::atoi(argv[1]) : 300;
    Draw draw{20261129};
    Count drives, coolings, warmings;
    double drive_off_db = 0.0, end_off_k = 0.0, early = 0.0;
    for (int i = 0; i < amplifiers; ++i) {
        Case c = draw.amplifier(plan_for(30.0));
        const bench::Parameters clean;
        c.parameters.forward = clean.forward;  // detectors that are right: the sentence's own error shows
        c.parameters.drive = clean.drive;
        c.antenna = {};
        c.drive_w = draw.between(0.3, 2.3);
        const double trip_at = draw.between(0.5, 1.7), k_per_h = draw.between(0.5, 4.0);
        const auto seed = static_cast<std::uint64_t>(i) + 1;
        const auto& heat = c.parameters.heat;
        const double tau_s = heat.sink_j_per_k * heat.sink_to_air_blown_k_per_w;

        // The drive, by what it is; and the truth that the cooling's limits are put around.
        Loop loop{sentence_plan(c, 500.0), c, thermal_speed, seed};
        loop.run(20.0, 1.0);
        loop.key();
        loop.run(tau_s, 1.0);
        const double settling_c = settles_c(c, loop.truth());
        const double above_k = (trip_at - 1.0) * (settling_c - c.ambient_c);
        const double margin_db = 10.0 * std::log10(*loop.plan().rf.one_db_forward_w / loop.truth().forward_w);
        const std::string drive = drive_text(loop.plan(), loop.snapshot());
        ++drives.cases;
        if (margin_db > 0.5) drive_off_db = std::max(drive_off_db, below_db(drive) - margin_db);
        const bool is_right = begins(drive, "Drive right"), too_high = drive.find("too high") != std::string::npos;
        // Half a decibel of detectors and rounding about the advised back-off decides nothing. Too strict is no fault:
        // of the stated 1 dB point and the measured compression the one that leaves less is believed, and the
        // detectors' own law, within 0.15 dB here, may pass for compression.
        if (std::abs(margin_db - advised_db) > 0.5) {
            drives.right += (margin_db > advised_db ? is_right : too_high) ? 1 : 0;
            drives.wrong += margin_db < advised_db && is_right ? 1 : 0;
        }

        // The cooling, against a trip at half to 1.7 times its rise.
        Loop cooling{sentence_plan(c, settling_c + above_k), c, thermal_speed, seed};
        cooling.run(20.0, 1.0);
        cooling.key();
        cooling.run(15.0, 1.0);
        early += begins(cooling_text(cooling.plan(), cooling.snapshot()), "Cooling not known yet") ? 1.0 : 0.0;
        cooling.run(tau_s - 15.0, 1.0);
        const std::string enough = cooling_text(cooling.plan(), cooling.snapshot());
        ++coolings.cases;
        const bool adequate = begins(enough, "Cooling adequate:"),
                   not_adequate = begins(enough, "Cooling not adequate");
        coolings.right += (above_k > 0.0 ? adequate : not_adequate) ? 1 : 0;
        coolings.wrong += above_k <= 0.0 && adequate ? 1 : 0;

        // Air that grows warmer: what is said after half an hour of it, against three hours more on the bench.
        if (i % 5 != 0) continue;
        Plan planned = sentence_plan(c, settling_c + k_per_h * 3.5 + above_k);
        planned.heat.planned_transmission = 3h;
        Loop warm{planned, c, thermal_speed, seed};
        warm.air(k_per_h);
        warm.run(1800.0, 1.0);
        warm.key();
        warm.run(std::max(tau_s, 120.0), 1.0);
        const std::string said = cooling_text(warm.plan(), warm.snapshot());
        const Reading forecast = warm.reading(Derived::forecast_temperature);
        warm.run(3.0 * 3600.0 - std::max(tau_s, 120.0), 1.0);
        const double end_c = warm.truth().heatsink_c, trip_c = planned.limits.front().trip;
        end_off_k = std::max(end_off_k, std::abs(forecast.value - end_c));
        ++warmings.cases;
        const bool enough_then = begins(said, "Cooling adequate:") || begins(said, "Cooling adequate for the planned");
        const bool not_then = begins(said, "Cooling not adequate") || begins(said, "Cooling adequate in the present");
        warmings.right += (end_c < trip_c ? enough_then : not_then) ? 1 : 0;
        warmings.wrong += end_c >= trip_c && enough_then ? 1 : 0;
    }
    std::printf("%d random amplifiers, what they say against the bench's truth:\n", amplifiers);
    drives.print("drive right or too high");
    std::printf("  distance to the 1 dB point: said too large by at most %.2f dB (allowed 0.5)\n", drive_off_db);
    coolings.print("cooling adequate or not, after one time constant");
    std::printf("  \"not known yet\" after 15 s: %.0f (at least 95 %%)\n", early);
    warmings.print("the same in air that grows warmer, three hours ahead");
    std::printf("  temperature at the planned end: worst off %.2f K (allowed 1.5)\n", end_off_k);
    const bool good = amplifiers > 0 && drives.wrong == 0 && drives.right >= 0.85 * drives.cases &&
                      drive_off_db <= 0.5 && coolings.wrong == 0 && coolings.right >= 0.9 * coolings.cases &&
                      early >= 0.95 * amplifiers && warmings.wrong == 0 && warmings.right >= 0.8 * warmings.cases &&
                      end_off_k <= 1.5;
    return good ? 0 : 1;
}
