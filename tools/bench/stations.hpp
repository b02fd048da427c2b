// Amplifiers that the bench can be: the demo's, and others that are unlike it, all invented.
#pragma once

#include <string>
#include <string_view>

#include "bench/amplifier.hpp"
#include "bench/kernel_files.hpp"

namespace bench {

struct Station {
    std::string_view name, words;
    double usual_drive_w = 1.6;
    Parameters parameters{};
    Instruments instruments{};
};

Station demo_station();
/// Throws std::runtime_error that names all of them where there is none of this name.
Station station_called(std::string_view name);
std::string station_names();

}  // namespace bench
