// The daemon's estimate against the bench's truth: random amplifiers, each with errors of its own within what the
// uncertainty statement allows, measured through converter and chain by the same Protection that guards a real one.
// Prints how often the truth lay within the stated interval. Usage: coverage AMPLIFIERS
#include <algorithm>
#include <cmath>
#include <cstdio>
#include <cstdlib>

#include "loop.hpp"

using namespace oracle;

namespace {

struct Tally {
    int cases = 0, inside = 0;
    double largest = 0.0;
    void add(bool within, double off) {
        ++cases;
        inside += within ? 1 : 0;
        if (!(off <= largest)) largest = off;
    }
    [[nodiscard]] double share() const { return cases > 0 ? static_cast<double>(inside) / cases : 0.0; }
};

bool holds(const Reading& reading, double truth) {
    return reading.health == Health::good && reading.low <= truth && truth <= reading.high;
}

}  // namespace

int main(int argc, char** argv) {
    const int amplifiers = argc > 1 ? std::atoi(argv[1]) : 1000;
    Draw draw{20260301};
    const Plan stated = plan_for(30.0);
    Tally forwards, ratios, settlings;
    int never_keyed = 0;
    double width = 0.0;
    for (int i = 0; i < amplifiers; ++i) {
        const Case c = draw.amplifier(stated);
        const auto seed = static_cast<std::uint64_t>(i) + 1;
        {
            Loop loop{c, 1.0, seed};
            loop.run(0.4, 0.02);
            loop.key();
            loop.run(0.4, 0.02);
            const bench::Truth& t = loop.truth();
            if (!t.rf || t.forward_w < 6.0) ++never_keyed;
            const Reading& shown = loop.reading(forward);
            forwards.add(holds(shown, t.forward_w), std::abs(10.0 * std::log10(shown.value / t.forward_w)));
            width += (shown.high / shown.value - 1.0) / amplifiers;
            const Reading& vswr = loop.reading(Derived::vswr);
            ratios.add(holds(vswr, t.vswr), std::abs(vswr.value - t.vswr));
        }
        {
            constexpr double speed = 200.0;
            Loop loop{c, speed, seed};
            loop.run(20.0, 1.0);
            loop.key();
            const auto& heat = c.parameters.heat;
            loop.run(heat.sink_j_per_k * heat.sink_to_air_blown_k_per_w, 1.0);
            const Reading& settling = loop.reading(Derived::settling_temperature);
            const double truth = c.ambient_c + loop.truth().heat_w * heat.sink_to_air_blown_k_per_w;
            const double off = settling.health == Health::good ? std::abs(settling.value - truth) : 1.0e3;
            settlings.add(off <= 2.0, off);
        }
    }
    std::printf("%d random amplifiers, daemon's estimate against the bench's truth:\n", amplifiers);
    std::printf(
        "  forward power within its own interval     %6.2f %% (at least 95), mean width +%.0f %%, worst off %.2f dB\n",
        100.0 * forwards.share(), 100.0 * width, forwards.largest);
    std::printf("  VSWR within its own interval              %6.2f %% (at least 95), worst off %.2f\n",
                100.0 * ratios.share(), ratios.largest);
    std::printf("  settling temperature within 2 degC after one time constant  %6.2f %% (all), worst off %.2f degC\n",
                100.0 * settlings.share(), settlings.largest);
    if (never_keyed > 0) std::printf("  %d were never on the air\n", never_keyed);
    const bool good = amplifiers > 0 && never_keyed == 0 && forwards.share() >= 0.95 && ratios.share() >= 0.95 &&
                      settlings.inside == settlings.cases;
    return good ? 0 : 1;
}
