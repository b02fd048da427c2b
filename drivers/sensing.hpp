// Bytes and errno to a number: what a kernel attribute said. Pure, locale-free, total.
#pragma once

#include <cstdint>
#include <optional>
#include <string_view>

#include "plan/reading.hpp"

namespace dekeyd::core {

/// A number, or why there is none. `value` is finite and means something only where fault is none.
struct Sensed {
    double value = 0.0;
    Fault fault = Fault::none;
};

/// errno of a failed open, read or write -> fault. 0 gives none. A file system that is only to be read (EROFS), as the
/// service manager shows /sys to a service, is a want of permission.
Fault fault_from_errno(int error) noexcept;

/// A whole-string decimal number with optional surrounding blanks and one final newline. "nan", "inf", hexadecimal,
/// a decimal comma, trailing text: garbled. Empty: empty. Over 64 bytes: garbled.
Sensed parse_number(std::string_view bytes) noexcept;

/// w1_therm's `temperature`: whole millidegrees -> degC. Outside -55..125 degC (TI/Maxim DS18B20): outside_part.
Sensed parse_w1_temperature(std::string_view bytes) noexcept;

/// w1_therm's `w1_slave`: two lines; the first ends in "crc=xx YES|NO", the second in "t=millidegrees". The CRC over
/// the nine bytes is computed again, and t must agree with the raw bytes, which a DS18S20 (family 10) lays out
/// otherwise.
enum class W1Family : std::uint8_t { ds18b20_and_kin, ds18s20 };
Sensed parse_w1_slave(std::string_view bytes, W1Family family = W1Family::ds18b20_and_kin) noexcept;

/// The bits that the part converts with, 9 to 12, by the configuration byte of such a frame (DS18B20's data sheet);
/// none where it is no frame. A DS18S20 has no such byte.
std::optional<int> w1_bits(std::string_view frame) noexcept;

/// Dallas CRC-8: x^8 + x^5 + x^4 + 1, reflected 0x8C, initial value 0.
std::uint8_t crc8(const std::uint8_t* data, std::size_t size) noexcept;

/// IIO: value = (raw + offset) * scale, in the ABI's milli-units -> V, A or degC.
/// `lowest`/`highest`: the converter's end codes; at them the sample is saturated.
struct IioScaling {
    double scale = 1.0;
    double offset = 0.0;
    std::optional<double> lowest, highest;
};
Sensed scale_iio(Sensed raw, const IioScaling& scaling) noexcept;

/// hwmon: in/curr/temp are milli-units, power micro-units, fan is rpm.
enum class HwmonKind : std::uint8_t { voltage, current, temperature, fan, power };
Sensed scale_hwmon(Sensed raw, HwmonKind kind) noexcept;

}  // namespace dekeyd::core
