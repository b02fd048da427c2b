#include "configuration/sensor_address.hpp"

#include <algorithm>
#include <array>

namespace dekeyd::formats {
namespace {

/// "voltage12" for the stem "voltage": one to three digits after it.
bool numbered(std::string_view text, std::string_view stem) {
    if (!text.starts_with(stem)) return false;
    text.remove_prefix(stem.size());
    constexpr std::size_t most_digits = 3;
    return !text.empty() && text.size() <= most_digits && std::all_of(text.begin(), text.end(), is_digit);
}

/// Family code, hyphen, twelve digits; the families are those of which w1_therm reads a temperature.
bool is_w1(std::string_view text) {
    constexpr std::array<std::string_view, 5> families{"10-", "22-", "28-", "3b-", "42-"};
    constexpr std::size_t length = 15;
    const bool family = std::any_of(families.begin(), families.end(), [&](auto f) { return text.starts_with(f); });
    return family && text.size() == length &&
           std::all_of(text.begin() + 3, text.end(), [](char c) { return is_digit(c) || (c >= 'a' && c <= 'f'); });
}

std::optional<Native> iio_native(std::string_view text) {
    const std::size_t hyphen = text.find('-');
    if (hyphen != std::string_view::npos) {
        const bool both = numbered(text.substr(0, hyphen), "voltage") && numbered(text.substr(hyphen + 1), "voltage");
        return both ? std::optional{Native::voltage} : std::nullopt;
    }
    if (numbered(text, "voltage")) return Native::voltage;
    if (numbered(text, "current")) return Native::current;
    if (text == "temp" || numbered(text, "temp")) return Native::temperature;
    return std::nullopt;
}

std::optional<Native> hwmon_native(std::string_view text) {
    if (numbered(text, "in")) return Native::voltage;
    if (numbered(text, "curr")) return Native::current;
    if (numbered(text, "temp")) return Native::temperature;
    if (numbered(text, "fan")) return Native::speed;
    if (numbered(text, "power")) return Native::power;
    return std::nullopt;
}

}  // namespace

std::optional<Native> native_at(BusDriver driver, std::string_view address) {
    switch (driver) {
        case BusDriver::w1: return is_w1(address) ? std::optional{Native::temperature} : std::nullopt;
        case BusDriver::iio: return iio_native(address);
        case BusDriver::hwmon: return hwmon_native(address);
        case BusDriver::contact: {
            constexpr std::size_t longest = 64;
            const bool printable = std::none_of(address.begin(), address.end(), [](char c) {
                return static_cast<unsigned char>(c) < 0x20 || c == 0x7f;
            });
            return !address.empty() && address.size() <= longest && printable ? std::optional{Native::contact}
                                                                              : std::nullopt;
        }
    }
    return std::nullopt;
}

std::string_view address_form(BusDriver driver) {
    switch (driver) {
        case BusDriver::w1: return "a thermometer's id in small letters, such as 28-0123456789ab";
        case BusDriver::iio: return "a channel such as voltage0, voltage0-voltage1, current0 or temp";
        case BusDriver::hwmon: return "an input such as in1, curr1, temp1 or fan1";
        case BusDriver::contact: return "a GPIO line's name, or its offset with 'chip:'";
    }
    return "an address";
}

std::vector<core::ChannelKind> kinds_from(Native native) {
    using core::ChannelKind;
    switch (native) {
        case Native::temperature: return {ChannelKind::temperature};
        case Native::voltage:
            return {ChannelKind::voltage, ChannelKind::power, ChannelKind::current, ChannelKind::temperature};
        case Native::current: return {ChannelKind::current};
        case Native::speed: return {ChannelKind::speed};
        case Native::power: return {};  // a supply's own product of voltage and current: core works DC power out itself
        case Native::contact: return {ChannelKind::contact};
    }
    return {};
}

Dimension dimension_of(Native native) {
    switch (native) {
        case Native::temperature: return Dimension::temperature;
        case Native::voltage: return Dimension::voltage;
        case Native::current: return Dimension::current;
        case Native::speed: return Dimension::speed;
        case Native::power: return Dimension::power;
        case Native::contact: return Dimension::number;
    }
    return Dimension::number;
}

Range widest_window(BusDriver driver, Native native) {
    const auto window = [](double low, double high) {
        return Range{.low = low, .high = high, .what = {}, .expected = {}};
    };
    switch (native) {
        case Native::temperature:
            // A DS18B20 in an amplifier is never at its own ends (-55 and 125 degC).
            return driver == BusDriver::w1 ? window(-40.0, 120.0) : window(-40.0, 150.0);
        case Native::voltage: return driver == BusDriver::iio ? window(-0.05, 100.0) : window(-1.0, 1000.0);
        case Native::current: return window(-1000.0, 1000.0);
        case Native::speed: return window(0.0, 100000.0);
        case Native::power: return window(-100.0, 100000.0);
        case Native::contact: return window(-0.5, 1.5);
    }
    return window(-1.0, 1.0);
}

std::string_view word(core::ChannelKind kind) {
    switch (kind) {
        case core::ChannelKind::temperature: return "temperature";
        case core::ChannelKind::power: return "power";
        case core::ChannelKind::voltage: return "voltage";
        case core::ChannelKind::current: return "current";
        case core::ChannelKind::speed: return "speed";
        case core::ChannelKind::contact: return "contact";
    }
    return "quantity";
}

}  // namespace dekeyd::formats
