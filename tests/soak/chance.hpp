// Chance from one seed, and a simulated time for people.
#pragma once

#include <cmath>
#include <cstddef>
#include <cstdint>
#include <cstdio>
#include <random>
#include <string>

namespace dekeyd::soak {

class Chance {
public:
    explicit Chance(std::uint64_t seed) : engine_{seed} {}
    double between(double low, double high) { return low + (high - low) * unit(); }
    double after(double mean_s) { return -mean_s * std::log(1.0 - unit() * 0.999999); }
    bool one_in(double n) { return unit() * n < 1.0; }
    std::size_t of(std::size_t count) { return static_cast<std::size_t>(engine_() % count); }

private:
    // Not the library's distributions: they may differ from machine to machine.
    double unit() { return static_cast<double>(engine_() >> 11U) * 0x1.0p-53; }
    std::mt19937_64 engine_;
};

inline std::string stamp(double seconds) {
    char text[64];
    const auto whole = static_cast<long>(seconds);
    std::snprintf(text, sizeof text, "day %ld %02ld:%02ld:%02ld.%03d", whole / 86400, whole / 3600 % 24,
                  whole / 60 % 60, whole % 60, static_cast<int>((seconds - static_cast<double>(whole)) * 1000.0));
    return text;
}

}  // namespace dekeyd::soak
