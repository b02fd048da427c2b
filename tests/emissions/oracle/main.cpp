// For emissions.py: the facts of each emission, and averages of the brackets that it makes.
#include <fmt/core.h>

#include <chrono>
#include <cmath>
#include <cstdlib>
#include <iostream>
#include <string_view>

#include "maths/emission.hpp"
#include "measure/average.hpp"

using namespace dekeyd::core;

namespace {

int facts() {
    constexpr const char* kinds[]{"carrier", "fm", "morse", "voice", "digital-television"};
    constexpr const char* modulations[]{"-", "qpsk", "8psk", "16apsk"};
    constexpr double roll_offs[]{0.0, 0.35, 0.25, 0.20};
    for (const EmissionFacts& f : emission_facts())
        fmt::print("{},{},{},{},{},{},{}\n", kinds[static_cast<int>(f.kind)],
                   modulations[static_cast<int>(f.modulation)], roll_offs[static_cast<int>(f.roll_off)], f.crest_db,
                   f.log_low_db, f.mean_share, seconds(f.ratio_time));
    return EXIT_SUCCESS;
}

int average(double time_s) {
    RfPlan plan;
    plan.minimum_forward_w = 6.0;
    plan.emission.ratio_time = std::chrono::nanoseconds{std::llround(time_s * 1e9)};
    BracketAverage average{plan};
    double at_s = 0.0, before_w = 0.0, reflected_w = 0.0, after_w = 0.0;
    while (std::cin >> at_s >> before_w >> reflected_w >> after_w) {
        const Instant taken{std::chrono::nanoseconds{std::llround(at_s * 1e9)}};
        const auto power = [&](double w) {
            return Reading{
                .value = w, .low = w, .high = w, .health = Health::good, .fault = Fault::none, .taken = taken};
        };
        switch (average.add({power(before_w), power(reflected_w), power(after_w)}, nullptr)) {
            case BracketAverage::Told::ratio: break;
            case BracketAverage::Told::quiet: fmt::print("quiet\n"); continue;
            case BracketAverage::Told::not_yet: fmt::print("not-yet\n"); continue;
            case BracketAverage::Told::never: fmt::print("never\n"); continue;
        }
        const Bracket means = average.means();
        fmt::print("{} {}\n", means.reflected.value / means.forward_before.value, average.doubt_db());
    }
    return EXIT_SUCCESS;
}

}  // namespace

int main(int count, char** words) {
    if (count == 2 && std::string_view{words[1]} == "facts") return facts();
    if (count == 3 && std::string_view{words[1]} == "average") return average(std::strtod(words[2], nullptr));
    return EXIT_FAILURE;
}
