// Random calibrations against truth, end to end: the levels become the file that `dekeyctl calibrate` writes, the
// loader reads it, and a channel reads powers within the table and beyond both its ends. How often the truth lies
// within the stated interval. Usage: oracle_calibrations numpy CASES < cases.csv | bench CASES
#include <array>
#include <cmath>
#include <cstdio>
#include <cstdlib>
#include <fstream>
#include <iostream>
#include <map>
#include <numbers>
#include <random>
#include <sstream>
#include <string>
#include <string_view>
#include <vector>

#include "bench/radio.hpp"
#include "configuration/calibration.hpp"
#include "maths/rf.hpp"
#include "measure/channel_reader.hpp"
#include "temporary_folder.hpp"

using namespace dekeyd;

namespace {

constexpr double shift_db = 50.5;  // coupling and pads

struct Power {
    double volts = 0.0, true_dbm = 0.0;  ///< at the detector
};

struct Case {
    std::string family;
    double slope_v_per_db = 0.0, intercept_dbm = 0.0, conformance_db = 0.0, reference_db = 0.0;
    std::vector<core::TablePoint> levels{};
    std::vector<Power> powers{};
};

/// The channel `forward` of a station with that detector and its calibration.
std::optional<core::Channel> channel_of(const Case& one, const std::string& folder) {
    formats::Calibration calibration;
    calibration.sensor = "forward";
    calibration.file = "forward.calibration.yaml";
    calibration.date = "2026-03-01T10:00:00Z";
    calibration.reference = "meter";
    calibration.reference_db = one.reference_db;
    std::vector<formats::CalibrationLevel> levels;
    for (const core::TablePoint& point : one.levels)
        levels.push_back({.volts = point.volts,
                          .indicated_dbm = point.volts / one.slope_v_per_db + one.intercept_dbm,
                          .reference_dbm = point.dbm});
    const formats::CalibrationFit fit = formats::fit_calibration(levels, one.conformance_db);
    if (!fit.good()) return std::nullopt;  // said to the operator, and nothing is written
    calibration.residual_db = fit.largest_db;
    for (const core::TablePoint& point : one.levels)
        calibration.points.push_back({.volts = point.volts, .dbm = point.dbm});
    std::ofstream{folder + "/forward.calibration.yaml"} << formats::calibration_text(calibration);
    char law[200];
    std::snprintf(law, sizeof law, "slope: %.9f mV/dB, intercept: %.9f dBm", 1000.0 * one.slope_v_per_db,
                  one.intercept_dbm);
    std::ostringstream text;
    text << "dekeyd: 1\ndevice: {id: a, name: A}\nguard: {period: 20 ms}\nline: {driver: file, path: /tmp/line}\n"
            "buses:\n  adc: {driver: iio, device: ads1015, period: 20 ms}\n"
            "sensors:\n  forward:\n    bus: adc\n    address: voltage0\n    measures: power\n    role: forward\n"
            "    allowed_age: 100 ms\n    detector: {"
         << law << ", floor: -50 dBm, ceiling: 5 dBm}\n    coupling: 40 dB\n    pads: 10 dB\n    cable: 0.5 dB\n";
    // 1 dB is what is taken where nothing is stated.
    if (one.conformance_db != 1.0) text << "    uncertainty: {conformance: " << one.conformance_db << " dB}\n";
    text << "    calibration: forward.calibration.yaml\n"
            "amplifier: {rated_forward: 1000 W, minimum_forward: 500 W, rf_present: 400 W}\n"
            "limits:\n  forward: {watch: forward, above: 900 W, clear: rf off, qualify: 10 ms, hold_off: 1 s}\n";
    const formats::Loaded loaded = formats::load_configuration(text.str(), folder);
    for (const formats::Fault& fault : loaded.faults)
        std::printf("fault at %zu %s: %s; %s\n", fault.line, fault.key.c_str(), fault.what.c_str(),
                    fault.expected.c_str());
    if (!loaded.configuration) std::exit(2);
    core::Channel channel = loaded.configuration->plan.channels[0];
    channel.valid_low = channel.valid_high = 0.0;
    return channel;
}

bool holds(const core::Reading& reading, double true_w) {
    if (reading.health == core::Health::above_range) return true_w >= reading.low;
    return reading.measured() && reading.low <= true_w && true_w <= reading.high;
}

struct Tally {
    int cases = 0, inside = 0;
    double width_db = 0.0;
};

class Outcome {
public:
    void take(const Case& one, const std::string& folder) {
        const auto channel = channel_of(one, folder);
        if (!channel) {
            ++refused_;
            return;
        }
        ++calibrations_;
        const core::ChannelReader reader{*channel};
        for (const Power& power : one.powers) {
            const core::Reading reading =
                reader.convert({.value = power.volts, .fault = core::Fault::none}, std::nullopt);
            const double away =
                std::max(one.levels.front().dbm - power.true_dbm, power.true_dbm - one.levels.back().dbm);
            const char* zone = away <= 0.0    ? "between its levels"
                               : away <= 10.0 ? "beyond by up to 10 dB"
                                              : "beyond by more than 10 dB";
            const bool within = holds(reading, core::watts_from_dbm(power.true_dbm + shift_db));
            for (Tally* tally : {&tallies_[one.family + ", " + zone], &tallies_[std::string{"all, "} + zone]}) {
                ++tally->cases;
                tally->inside += within ? 1 : 0;
                if (reading.health == core::Health::good)
                    tally->width_db += 10.0 * std::log10(reading.high / reading.value);
            }
        }
    }
    [[nodiscard]] bool good(int wanted) const {
        std::printf("%d calibrations, %d refused\n", calibrations_, refused_);
        bool all = calibrations_ + refused_ == wanted && calibrations_ > wanted / 2;
        for (const auto& [name, tally] : tallies_) {
            const double share = static_cast<double>(tally.inside) / tally.cases;
            std::printf("  %-42s %5d powers, truth within the interval in %6.2f %% (at least 95), mean +- %.2f dB\n",
                        name.c_str(), tally.cases, 100.0 * share, tally.width_db / tally.cases);
            all = all && share >= 0.95;
        }
        return all;
    }

private:
    std::map<std::string, Tally> tallies_;
    int calibrations_ = 0, refused_ = 0;
};

std::vector<Case> read_cases() {
    std::vector<Case> cases;
    std::string line;
    while (std::getline(std::cin, line)) {
        std::istringstream words{line};
        std::string word;
        Case one;
        std::getline(words, one.family, ',');
        const auto next = [&] {
            std::getline(words, word, ',');
            return std::strtod(word.c_str(), nullptr);
        };
        one.slope_v_per_db = next();
        one.intercept_dbm = next();
        one.conformance_db = next();
        one.reference_db = next();
        const auto pairs = [&](auto take) {
            for (int left = static_cast<int>(next()); left > 0; --left) {
                const double volts = next();
                take(volts, next());
            }
        };
        pairs([&](double volts, double dbm) { one.levels.push_back({.volts = volts, .dbm = dbm}); });
        pairs([&](double volts, double dbm) { one.powers.push_back({.volts = volts, .true_dbm = dbm}); });
        cases.push_back(std::move(one));
    }
    return cases;
}

/// The bench's own detector, whose ripple is all of the stated conformance, behind its converter's steps and noise.
std::vector<Case> bench_cases(int count) {
    std::vector<Case> cases;
    std::mt19937_64 random{20260302};
    const auto between = [&](double low, double high) {
        return std::uniform_real_distribution<double>{low, high}(random);
    };
    std::normal_distribution<double> normal;
    for (int i = 0; i < count; ++i) {
        Case one{.family = "bench",
                 .slope_v_per_db = -0.0244,
                 .intercept_dbm = 19.6,
                 .conformance_db = i % 2 == 0 ? 1.0 : between(0.2, 1.0)};
        bench::LogDetector detector;
        detector.slope_v_per_db *= 1.0 + between(-0.05, 0.05);
        detector.intercept_dbm += between(-2.0, 2.0);
        detector.ripple_db = one.conformance_db;
        detector.ripple_period_db = between(6.0, 16.0);
        detector.ripple_phase_rad = between(0.0, 2.0 * std::numbers::pi);
        detector.lowest_v = 0.05;
        const auto volts = [&](double dbm, int readings) {
            constexpr double step_v = 125e-6;  // an ADS1115 at its range of 4.096 V
            double sum = 0.0;
            for (int n = 0; n < readings; ++n)
                sum += std::round((bench::detector_v(detector, core::watts_from_dbm(dbm)) +
                                   detector.noise_v * normal(random)) /
                                  step_v) *
                       step_v;
            return sum / readings;
        };
        one.reference_db = between(0.1, 0.3);
        const double off_db = one.reference_db / 2.0 * normal(random);
        const int levels = static_cast<int>(between(2.0, 6.99));
        double dbm = between(-40.0, -20.0);
        for (int n = 0; n < levels && dbm < 2.0; ++n) {
            one.levels.push_back({.volts = volts(dbm, 20), .dbm = dbm + off_db});
            dbm += n == 0 ? between(10.0, 14.0) : between(3.1, 8.0);
        }
        for (int n = 0; n < 6; ++n) {
            const double true_dbm = between(-40.0, 0.0);
            one.powers.push_back({.volts = volts(true_dbm, 1), .true_dbm = true_dbm});
        }
        cases.push_back(std::move(one));
    }
    return cases;
}

}  // namespace

int main(int argc, char** argv) {
    if (argc != 3) return 2;
    const int wanted = std::atoi(argv[2]);
    const bool of_bench = std::string_view{argv[1]} == "bench";
    const dekeyd::test::TemporaryFolder folder;
    Outcome outcome;
    for (const Case& one : of_bench ? bench_cases(wanted) : read_cases()) outcome.take(one, folder.path());
    return outcome.good(wanted) ? 0 : 1;
}
