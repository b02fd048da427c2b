// An hour of each emission on the annotated file's station: without a fault nothing may trip, and a true VSWR of 2.5
// must, within a stated time, by the VSWR limit alone (reflected power stays below its own). The table is printed.
#include <doctest/doctest.h>
#include <fmt/core.h>

#include <algorithm>
#include <functional>
#include <map>
#include <string>
#include <vector>

#include "envelopes.hpp"
#include "station.hpp"

using namespace emissions;

namespace {

struct Sent {
    std::string name;
    std::string key;  ///< as the configuration says it
    std::function<std::unique_ptr<Envelope>(std::uint64_t)> envelope;
    double stated_s;                         ///< within it a true VSWR of 2.5 trips
    std::vector<double> filters_s{0.05e-3};  ///< of the detectors' outputs
};

const std::vector<Sent> all_sent{
    {"voice", "{kind: voice}", voice, 6.0, {0.05e-3, 5e-3}},
    {"Morse 12", "{kind: morse}", [](std::uint64_t seed) { return morse(seed, 12.0); }, 3.0},
    {"Morse 30", "{kind: morse}", [](std::uint64_t seed) { return morse(seed, 30.0); }, 3.0},
    {"8PSK 33 k", "{kind: digital-television, modulation: 8psk, roll_off: 0.35}",
     [](std::uint64_t seed) { return eight_psk(seed, 33'000.0); }, 1.0},
    {"8PSK 333 k", "{kind: digital-television, modulation: 8psk, roll_off: 0.35}",
     [](std::uint64_t seed) { return eight_psk(seed, 333'000.0); }, 1.0},
    {"FM", "{kind: fm}", [](std::uint64_t) { return carrier(); }, 0.2},
    {"carrier", "{kind: carrier}", [](std::uint64_t) { return carrier(); }, 0.2},
};

formats::Configuration sending(const std::string& key) {
    return annotated(
        {{"emission: {kind: fm}\n", key.empty() ? "" : "emission: " + key + "\n"}, {"    waveform: 0 dB  ", "    # "}});
}

std::string counted(const std::vector<std::string>& trips) {
    std::map<std::string, int> counts;
    for (const std::string& trip : trips) ++counts[trip];
    std::string text;
    for (const auto& [trip, count] : counts) text += fmt::format(" {} x {}", count, trip);
    return text;
}

/// An hour in lives of some 40 s each; negative: a life without a trip.
std::vector<double> delays_s(const Sent& sent, double filter_s, double reflection) {
    const formats::Configuration configuration = sending(sent.key);
    std::vector<double> delays;
    for (std::uint64_t life = 0; life < 90; ++life) {
        Station station{configuration.plan, sent.envelope(life), {.peak_w = 40.0, .filter_s = filter_s}, life};
        station.stop_at_trip = true;
        station.run_s(25.0 + 0.037 * static_cast<double>(life));
        REQUIRE(station.trips.empty());
        const double began_s = station.now_s();
        station.reflect(reflection);
        station.run_s(20.0);
        delays.push_back(station.tripped_at_s < 0.0 ? -1.0 : station.tripped_at_s - began_s);
    }
    return delays;
}

}  // namespace

TEST_CASE("an hour of each emission has no false trip") {
    for (const Sent& sent : all_sent) {
        for (const double filter_s : sent.filters_s) {
            CAPTURE(sent.name);
            CAPTURE(filter_s);
            const formats::Configuration configuration = sending(sent.key);
            Station station{configuration.plan, sent.envelope(7), {.filter_s = filter_s}, 11};
            station.run_s(3600.0);
            CHECK(station.trips.empty());
            fmt::print("{:10}  filter {:4.2f} ms  no fault: {} false trips{}\n", sent.name, filter_s * 1e3,
                       station.trips.size(), counted(station.trips));
        }
    }
}

TEST_CASE("a true VSWR of 2.5 trips on each emission within its stated time") {
    for (const Sent& sent : all_sent) {
        for (const double filter_s : sent.filters_s) {
            CAPTURE(sent.name);
            CAPTURE(filter_s);
            const std::vector<double> delays = delays_s(sent, filter_s, 1.5 / 3.5);
            CHECK(*std::min_element(delays.begin(), delays.end()) > 0.0);
            const double worst = *std::max_element(delays.begin(), delays.end());
            CHECK(worst <= sent.stated_s);
            fmt::print(
                "{:10}  filter {:4.2f} ms  VSWR 2.5: {} of {} tripped, at worst after {:.2f} s of {:.1f} stated\n",
                sent.name, filter_s * 1e3, std::count_if(delays.begin(), delays.end(), [](double d) { return d > 0; }),
                delays.size(), worst, sent.stated_s);
        }
    }
}

TEST_CASE("where nothing is said of the emission a moving envelope is taken for a fault") {
    const formats::Configuration configuration = sending("");
    Station station{configuration.plan, voice(7), {}, 11};
    station.run_s(60.0);
    CHECK(counted(station.trips) == " 1 x vswr 2 x vswr unknown");
    CHECK(station.locked_out_at_s > 0.0);
}
