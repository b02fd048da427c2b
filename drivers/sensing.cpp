#include "drivers/sensing.hpp"

#include <array>
#include <cerrno>
#include <charconv>
#include <cmath>
#include <limits>

namespace dekeyd::core {

namespace {

constexpr std::size_t longest_number = 64;
constexpr double w1_lowest_c = -55.0, w1_highest_c = 125.0;  // TI/Maxim DS18B20 datasheet
constexpr std::size_t scratchpad_size = 9;
using Scratchpad = std::array<std::uint8_t, scratchpad_size>;

constexpr bool is_digit(char c) noexcept {
    return c >= '0' && c <= '9';
}

constexpr Sensed fault(Fault why) noexcept {
    return {.value = 0.0, .fault = why};
}

Sensed finite_or_garbled(double value) noexcept {
    return std::isfinite(value) ? Sensed{.value = value, .fault = Fault::none} : fault(Fault::garbled);
}

/// Degrees from whole millidegrees, inside the part's range.
Sensed w1_celsius(double millidegrees) noexcept {
    const double celsius = millidegrees / 1000.0;
    if (celsius < w1_lowest_c || celsius > w1_highest_c) return fault(Fault::outside_part);
    return {.value = celsius, .fault = Fault::none};
}

/// Takes `expected` from the front of `rest`; false leaves it alone.
bool take(std::string_view& rest, std::string_view expected) noexcept {
    if (!rest.starts_with(expected)) return false;
    rest.remove_prefix(expected.size());
    return true;
}

/// Takes two lower-case hexadecimal digits, as the kernel prints them.
bool take_byte(std::string_view& rest, std::uint8_t& byte) noexcept {
    const std::string_view digits = rest.substr(0, 2);
    if (std::from_chars(digits.begin(), digits.end(), byte, 16).ptr != digits.begin() + 2) return false;
    rest.remove_prefix(2);
    return true;
}

bool take_scratchpad(std::string_view& rest, Scratchpad& bytes) noexcept {
    for (std::uint8_t& byte : bytes) {
        if (!take_byte(rest, byte) || !take(rest, " ")) return false;
    }
    return true;
}

/// Maxim's data sheets: the DS18B20 counts sixteenths of a degree; the DS18S20 counts half degrees, and tells the rest
/// by COUNT_REMAIN and COUNT_PER_C: TEMP_READ - 0.25 + (COUNT_PER_C - COUNT_REMAIN) / COUNT_PER_C, TEMP_READ cut to a
/// whole degree. Not a number where no part answers so.
double raw_millidegrees(const Scratchpad& bytes, W1Family family) noexcept {
    const auto raw = static_cast<std::int16_t>(static_cast<std::uint16_t>(bytes[0] | (bytes[1] << 8)));
    if (family == W1Family::ds18b20_and_kin) return static_cast<double>(raw) * 62.5;
    const double remain = bytes[6], per_c = bytes[7];
    if (per_c == 0.0) return std::numeric_limits<double>::quiet_NaN();
    return 1000.0 * std::floor(static_cast<double>(raw) / 2.0) - 250.0 + 1000.0 * (per_c - remain) / per_c;
}

bool take_integer(std::string_view& rest, long& value) noexcept {
    const auto [end, error] = std::from_chars(rest.begin(), rest.end(), value);
    if (error != std::errc{}) return false;
    rest.remove_prefix(static_cast<std::size_t>(end - rest.begin()));
    return true;
}

}  // namespace

Fault fault_from_errno(int error) noexcept {
    switch (error) {
        case 0: return Fault::none;
        case ENOENT:
        case ENODEV:
        case ENXIO: return Fault::absent;
        case EACCES:
        case EPERM:
        case EROFS: return Fault::no_permission;
        default: return Fault::io_error;
    }
}

Sensed parse_number(std::string_view bytes) noexcept {
    if (bytes.empty()) return fault(Fault::empty);
    if (bytes.size() > longest_number) return fault(Fault::garbled);
    if (bytes.back() == '\n') bytes.remove_suffix(1);
    const std::size_t first = bytes.find_first_not_of(" \t");
    if (first == std::string_view::npos) return fault(Fault::garbled);
    bytes = bytes.substr(first, bytes.find_last_not_of(" \t") - first + 1);
    // A number begins with a digit, after an optional minus, and ends with one: so much for "nan", "inf", ".5" and
    // "5.", which the conversion below would take.
    const std::string_view magnitude = bytes.front() == '-' ? bytes.substr(1) : bytes;
    if (magnitude.empty() || !is_digit(magnitude.front()) || !is_digit(magnitude.back())) return fault(Fault::garbled);
    double value{};
    const auto [end, error] = std::from_chars(bytes.begin(), bytes.end(), value);
    if (error != std::errc{} || end != bytes.end()) return fault(Fault::garbled);
    return finite_or_garbled(value);
}

Sensed parse_w1_temperature(std::string_view bytes) noexcept {
    const Sensed number = parse_number(bytes);
    if (number.fault != Fault::none) return number;
    if (bytes.find_first_of(".eE") != std::string_view::npos) return fault(Fault::garbled);
    return w1_celsius(number.value);
}

Sensed parse_w1_slave(std::string_view bytes, W1Family family) noexcept {
    if (bytes.empty()) return fault(Fault::empty);
    Scratchpad fresh{}, shown{};
    std::uint8_t crc{};
    long millidegrees{};
    std::string_view rest = bytes;
    if (!take_scratchpad(rest, fresh) || !take(rest, ": crc=") || !take_byte(rest, crc)) return fault(Fault::garbled);
    if (take(rest, " NO\n")) return fault(Fault::bad_crc);
    if (!take(rest, " YES\n") || !take_scratchpad(rest, shown) || !take(rest, "t=") ||
        !take_integer(rest, millidegrees)) {
        return fault(Fault::garbled);
    }
    take(rest, "\n");
    if (!rest.empty() || shown != fresh) return fault(Fault::garbled);
    const std::uint8_t computed = crc8(fresh.data(), scratchpad_size - 1);
    if (computed != fresh.back() || computed != crc) return fault(Fault::bad_crc);
    // A bus shorted to ground reads as nothing but zeros, and the CRC of zeros is zero. No part answers so: its
    // reserved bytes aren't zero.
    if (fresh == Scratchpad{}) return fault(Fault::outside_part);
    // Within one step of 1/16 degree: the kernel cuts towards zero.
    const auto told = static_cast<double>(millidegrees);
    if (!(std::abs(told - raw_millidegrees(fresh, family)) <= 62.5)) return fault(Fault::garbled);
    return w1_celsius(told);
}

std::optional<int> w1_bits(std::string_view frame) noexcept {
    constexpr std::size_t configuration_byte = 4;
    Scratchpad bytes{};
    if (!take_scratchpad(frame, bytes)) return std::nullopt;
    return 9 + ((bytes[configuration_byte] >> 5) & 3);
}

std::uint8_t crc8(const std::uint8_t* data, std::size_t size) noexcept {
    std::uint8_t crc = 0;
    for (std::size_t i = 0; i < size; ++i) {
        crc ^= data[i];
        for (int bit = 0; bit < 8; ++bit) {
            const bool carry = (crc & 1U) != 0;
            crc = static_cast<std::uint8_t>(crc >> 1U);
            if (carry) crc ^= 0x8CU;
        }
    }
    return crc;
}

Sensed scale_iio(Sensed raw, const IioScaling& scaling) noexcept {
    if (raw.fault != Fault::none) return raw;
    // A scale of nothing would read 0 V for ever: a detector's "no power". A negative one turns power into its absence.
    if (!std::isfinite(scaling.scale) || scaling.scale <= 0.0 || !std::isfinite(scaling.offset)) {
        return fault(Fault::garbled);
    }
    if (scaling.lowest && raw.value < *scaling.lowest) return fault(Fault::outside_part);
    if (scaling.highest && raw.value > *scaling.highest) return fault(Fault::outside_part);
    // The lowest code of a converter without a negative range is 0 V: what a diode rests at. The window judges it.
    if (scaling.lowest && *scaling.lowest != 0.0 && raw.value == *scaling.lowest) return fault(Fault::saturated_low);
    if (scaling.highest && raw.value == *scaling.highest) return fault(Fault::saturated_high);
    return finite_or_garbled((raw.value + scaling.offset) * scaling.scale / 1000.0);
}

Sensed scale_hwmon(Sensed raw, HwmonKind kind) noexcept {
    if (raw.fault != Fault::none) return raw;
    switch (kind) {
        case HwmonKind::voltage:
        case HwmonKind::current: return finite_or_garbled(raw.value / 1000.0);
        case HwmonKind::temperature:
            if (raw.value < -273150.0) return fault(Fault::outside_part);
            return finite_or_garbled(raw.value / 1000.0);
        case HwmonKind::fan:
            if (raw.value < 0.0) return fault(Fault::outside_part);
            return finite_or_garbled(raw.value);
        case HwmonKind::power: return finite_or_garbled(raw.value / 1.0e6);
    }
    return fault(Fault::garbled);
}

}  // namespace dekeyd::core
