// Kernel attributes: any bytes give a finite number or a fault, and a number only where the C library reads the same.
#include <array>
#include <cmath>
#include <cstdlib>

#include "drivers/sensing.hpp"
#include "fuzz.hpp"

using namespace dekeyd::core;

namespace {

void sound(const Sensed& sensed) {
    fuzz::need(std::isfinite(sensed.value), "a value is finite");
    fuzz::need(sensed.fault == Fault::none || sensed.value == 0.0, "a fault brings no value");
}

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
    const std::string_view text = fuzz::text_of(data, size);
    const Sensed number = parse_number(text);
    sound(number);
    if (number.fault == Fault::none) {
        const std::string copy{text};
        char* end = nullptr;
        const double other = std::strtod(copy.c_str(), &end);
        fuzz::need(other == number.value, "the C library reads the same number");
        fuzz::need(std::string_view{end}.find_first_not_of(" \t\n") == std::string_view::npos, "nothing follows it");
    }

    const Sensed celsius = parse_w1_temperature(text);
    sound(celsius);
    fuzz::need(celsius.value >= -55.0 && celsius.value <= 125.0, "a DS18B20's range");

    const Sensed slave = parse_w1_slave(text);
    sound(slave);
    fuzz::need(slave.value >= -55.0 && slave.value <= 125.0, "a DS18B20's range");
    if (slave.fault == Fault::none) {
        fuzz::need(text.find("YES\n") != std::string_view::npos, "the kernel found the CRC right");
        std::array<std::uint8_t, 9> bytes{};
        for (std::size_t i = 0; i < bytes.size(); ++i) {
            bytes[i] = static_cast<std::uint8_t>(std::strtoul(std::string{text.substr(3 * i, 2)}.c_str(), nullptr, 16));
        }
        fuzz::need(crc8(bytes.data(), 8) == bytes[8], "the CRC is right");
    }

    // The first bytes choose a scaling, too.
    IioScaling scaling;
    const auto part = [&](std::size_t i) { return i < size ? static_cast<double>(data[i]) - 128.0 : 0.0; };
    scaling.scale = part(0) / 16.0;
    scaling.offset = part(1) * part(2);
    if (size > 3 && (data[3] & 1U) != 0) scaling.lowest = part(4) * 256.0;
    if (size > 3 && (data[3] & 2U) != 0) scaling.highest = part(5) * 256.0;
    sound(scale_iio(number, scaling));
    for (const HwmonKind kind :
         {HwmonKind::voltage, HwmonKind::current, HwmonKind::temperature, HwmonKind::fan, HwmonKind::power}) {
        sound(scale_hwmon(number, kind));
    }
    return 0;
}

#ifdef DEKEYD_LIBFUZZER
// w1_slave's CRC made right, in all its places.
extern "C" std::size_t LLVMFuzzerCustomMutator(std::uint8_t* data, std::size_t size, std::size_t most, unsigned seed) {
    return fuzz::mutate_and_seal(data, size, most, seed, [](std::string text) {
        const std::size_t crc = text.find("crc=");
        const std::size_t second = text.find('\n');
        if (crc != 29 || text.size() < 33 || second == std::string::npos || text.size() < second + 28) return text;
        std::array<std::uint8_t, 8> bytes{};
        for (std::size_t i = 0; i < bytes.size(); ++i) {
            bytes[i] = static_cast<std::uint8_t>(std::strtoul(text.substr(3 * i, 2).c_str(), nullptr, 16));
        }
        char digits[3];
        std::snprintf(digits, sizeof digits, "%02x", crc8(bytes.data(), bytes.size()));
        text.replace(24, 2, digits);
        text.replace(33, 2, digits);
        text.replace(second + 1, 27, text, 0, 27);
        return text;
    });
}
#endif
