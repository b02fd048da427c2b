// What the measuring chips hold: the numbers that the kernel would read out of them.
#pragma once

#include <array>
#include <cstdint>

namespace bench {

/// A 16-bit converter at +-2.048 V: 62.5 uV per code (TI SBAS444, ADS1115).
inline constexpr double adc_volts_per_code = 62.5e-6;
int adc_code(double volts) noexcept;  ///< -32768 .. 32767

/// A DS18B20 at 12 bits: sixteenths of a degree. Converts once a second; the result is there 750 ms later.
int ds18b20_sixteenths(double celsius) noexcept;  ///< -55 .. +125 degC
inline constexpr std::int64_t ds18b20_period_ns = 1'000'000'000;
inline constexpr std::int64_t ds18b20_conversion_ns = 750'000'000;

/// An LTC4151 with a 1 milliohm shunt: 25 mV and 20 mA per code, looked at six times a second by its driver.
int ltc4151_in_mv(double volts) noexcept;
int ltc4151_curr_ma(double amperes) noexcept;
inline constexpr std::int64_t ltc4151_period_ns = 166'666'666;

enum Channel : std::uint8_t { forward = 0, reflected = 1, drive = 2, spare = 3 };

/// Everything that the kernel's files are made of.
struct Registers {
    std::array<int, 4> adc{};  ///< by Channel
    int heatsink_sixteenths = 0, air_sixteenths = 0;
    int supply_mv = 0, current_ma = 0;
    int fan_rpm = 0;
    bool emergency_closed = true, lid_closed = true, key_closed = false, enable_present = false;
};

}  // namespace bench
