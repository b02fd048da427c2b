// The second opinion's bounds against what core makes of the same volts: on random stations it never speaks where core
// is inside, and it lies no further out than rounding (or what a compensation may hide) explains.
#include <doctest/doctest.h>

#include <array>
#include <cmath>
#include <limits>
#include <random>

#include "core/limit.hpp"
#include "core/protection.hpp"
#include "measure/channel_reader.hpp"
#include "second_opinion/bounds.hpp"
#include "second_opinion/scans.hpp"

using namespace dekeyd::core;
namespace second = dekeyd::second_opinion;
using namespace std::chrono_literals;

namespace {

constexpr std::array rounds{second::Time{20ms}};

class Stations {
public:
    explicit Stations(std::uint64_t seed) : engine_{seed} {}
    double between(double low, double high) { return std::uniform_real_distribution{low, high}(engine_); }
    bool coin() { return engine_() % 2 == 0; }

    Detector detector() {
        switch (engine_() % 4) {
            case 0: return LogDetector{-between(0.018, 0.027), between(10.0, 22.0)};
            case 1: return LogDetector{between(0.017, 0.055), between(-65.0, -50.0)};
            case 2: return SquareLawDetector{between(50.0, 2000.0)};
            default: break;
        }
        TableDetector table;
        const double sign = coin() ? 1.0 : -1.0;
        double dbm = between(-60.0, -45.0), volts = sign > 0.0 ? 0.2 : 2.0;
        for (std::size_t points = 2 + engine_() % 6; points > 0; --points) {
            table.points.push_back({volts, dbm});
            dbm += between(3.0, 25.0);
            volts += sign * between(0.02, 0.3);
        }
        return table;
    }

    /// One power from 5 W to 1 kW, its detector somewhere in its range there.
    Plan plan() {
        Plan p;
        p.samplers = {2};
        Channel channel;
        channel.id = "forward";
        channel.kind = ChannelKind::power;
        channel.allowed_age = 100ms;
        channel.power.emplace();
        PowerChain& chain = *channel.power;
        chain.detector = detector();
        const double watts = 5.0 * std::pow(200.0, between(0.0, 1.0));
        const double at_detector = between(-25.0, 0.0);
        const double loss = 10.0 * std::log10(watts * 1000.0) - at_detector;
        chain.cable_db = between(0.0, 1.0);
        chain.waveform_db = between(-1.0, 3.0);
        chain.pads_db = between(0.0, 10.0);
        chain.coupling_db = loss - chain.pads_db - chain.cable_db - chain.waveform_db;
        chain.floor_dbm = -45.0;
        chain.ceiling_dbm = coin() ? 10.0 : at_detector + between(-1.0, 1.0);  // about the trip itself
        if (coin()) {
            chain.temperature_channel = 1;
            chain.temperature_db_per_k = between(-0.02, 0.02);
            chain.temperature_reference_c = between(10.0, 40.0);
        }
        p.channels.push_back(channel);
        Channel air;
        air.id = "air";
        air.kind = ChannelKind::temperature;
        air.slot = 1;
        air.required = false;
        air.allowed_age = 1s;
        air.valid_low = -20.0;
        air.valid_high = 80.0;
        p.channels.push_back(air);
        LimitPlan limit;
        limit.id = "forward";
        limit.trip = watts;
        limit.clear = watts / 2.0;
        p.limits = {limit};
        return p;
    }

private:
    std::mt19937_64 engine_;
};

Sample sample(double volts) {
    return {.value = volts, .begun = Instant{1s}, .openings = 0, .fault = Fault::none};
}

bool trips(const Plan& p, double volts, std::optional<double> celsius) {
    const ChannelReader reader{p.channels[0]};
    return verdict_of(p.limits[0], reader.convert(sample(volts), celsius), nullptr, false) == Verdict::outside;
}

}  // namespace

TEST_CASE("never where core is inside, and no further out than is explained") {
    Stations stations{20261128};
    int judged = 0;
    for (int i = 0; i < 20'000; ++i) {
        const Plan p = stations.plan();
        const second::Bounds all = second::bounds_of(p, rounds);
        REQUIRE(all.bounds.size() == 1);
        const second::Side side = all.bounds[0].beyond;
        const PowerChain& chain = *p.channels[0].power;
        const double out = side.above ? 1.0 : -1.0;
        CAPTURE(i);
        CAPTURE(side.level);
        // Beyond the bound core trips, at any temperature that the thermometer may show, and without one.
        const double beyond = std::nextafter(side.level, out * std::numeric_limits<double>::infinity());
        CHECK(trips(p, beyond, std::nullopt));
        for (const double celsius : {-20.0, 0.0, 25.0, 80.0}) {
            if (chain.temperature_channel) CHECK(trips(p, beyond, celsius));
        }
        for (const double further : {1e-6, 1e-3, 0.1, 1.0}) CHECK(trips(p, side.level + out * further, std::nullopt));
        // A microvolt nearer core is inside, where nothing is compensated: at the temperature that hides the most.
        const double rate = chain.temperature_channel ? chain.temperature_db_per_k : 0.0;
        const double coldest = rate * (-20.0 - chain.temperature_reference_c);
        const double hottest = rate * (80.0 - chain.temperature_reference_c);
        const double least = std::min({0.0, coldest, hottest});
        const std::optional<double> hides = least == 0.0       ? std::nullopt
                                            : least == coldest ? std::optional{-20.0}
                                                               : std::optional{80.0};
        CHECK_FALSE(trips(p, side.level - out * 1e-6, hides));
        ++judged;
    }
    CHECK(judged == 20'000);
}

TEST_CASE("stepped beside core with random volts, it has nothing against what core permits") {
    Stations stations{7};
    int permits = 0, spoke = 0;
    for (int station = 0; station < 300; ++station) {
        Plan p = stations.plan();
        p.channels[0].power->temperature_channel.reset();
        p.channels[0].valid_low = -10.0;
        p.channels[0].valid_high = 10.0;
        p.limits[0].qualify = std::chrono::milliseconds{static_cast<int>(stations.between(0.0, 60.0))};
        p.interlock.settling = 20ms;
        p.interlock.guard_deadline = 1h;
        p.limits[0].rearm = Rearm::automatic;
        const second::Bounds all = second::bounds_of(p, rounds);
        second::Monitor monitor{all.sensors, all.bounds};
        Protection protection{p, {}, false};
        const second::Side side = all.bounds[0].beyond;
        const double out = side.above ? 1.0 : -1.0;
        Instant now{1000s};
        double volts = side.level;
        for (int step = 0; step < 400; ++step) {
            now += std::chrono::microseconds{static_cast<int>(stations.between(100.0, 25'000.0))};
            std::array<Sample, 2> samples{sample(volts), sample(25.0)};
            for (Sample& s : samples) s.begun = now - 100us;
            // Some steps bring no scan, some scans no reading, and the voltage stays a while on one side.
            if (stations.between(0.0, 1.0) < 0.05) volts = side.level + out * stations.between(-0.05, 0.05);
            if (stations.between(0.0, 1.0) < 0.1) samples[0].fault = Fault::io_error;
            const std::array scans{Scan{0, samples}};
            const bool scan = stations.between(0.0, 1.0) < 0.8;
            const Decision decision =
                protection.step({.now = now,
                                 .scans = scan ? std::span<const Scan>{scans} : std::span<const Scan>{},
                                 .commands = {},
                                 .line = {.known = true, .permit = protection.snapshot().permit}});
            if (scan) second::show(monitor, scans[0], now);
            monitor.supply(true, now.time_since_epoch());
            permits += decision.permit ? 1 : 0;
            const bool objects = monitor.objection(now.time_since_epoch()).has_value();
            spoke += objects ? 1 : 0;
            REQUIRE_FALSE((objects && decision.permit));
        }
    }
    CHECK(permits > 10'000);
    CHECK(spoke > 1'000);
}
