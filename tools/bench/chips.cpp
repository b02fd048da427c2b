#include "bench/chips.hpp"

#include <algorithm>
#include <cmath>

namespace bench {
namespace {

int nearest(double value, double low, double high) noexcept {
    return static_cast<int>(std::lround(std::clamp(value, low, high)));
}

}  // namespace

int adc_code(double volts) noexcept {
    return nearest(volts / adc_volts_per_code, -32768.0, 32767.0);
}

int ds18b20_sixteenths(double celsius) noexcept {
    return nearest(celsius * 16.0, -55.0 * 16.0, 125.0 * 16.0);
}

int ltc4151_in_mv(double volts) noexcept {
    return 25 * nearest(volts / 0.025, 0.0, 4095.0);
}

int ltc4151_curr_ma(double amperes) noexcept {
    return 20 * nearest(amperes / 0.020, 0.0, 4095.0);
}

}  // namespace bench
