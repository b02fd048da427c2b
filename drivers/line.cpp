#include "drivers/line.hpp"

#include <charconv>
#include <cstdint>
#include <string_view>
#include <vector>

#include "drivers/gpio.hpp"

namespace dekeyd::drivers {

namespace {

constexpr std::string_view heading = "dekeyd-line 1";
constexpr std::string_view hexadecimal = "0123456789ABCDEF";

constexpr bool is_plain(char c) {
    return (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z') || (c >= '0' && c <= '9') || c == '-' || c == '_' ||
           c == '.' || c == '/' || c == ':' || c == ',';
}

/// Every other byte as %XX, so that a name with a blank or a newline stays one word.
std::string escape(const std::string& text) {
    std::string escaped;
    for (const char c : text) {
        if (is_plain(c)) {
            escaped += c;
        } else {
            const auto byte = static_cast<std::uint8_t>(c);
            escaped += '%';
            escaped += hexadecimal[byte >> 4U];
            escaped += hexadecimal[byte & 15U];
        }
    }
    return escaped;
}

std::optional<std::string> unescape(std::string_view text) {
    std::string plain;
    for (std::size_t i = 0; i < text.size(); ++i) {
        if (is_plain(text[i])) {
            plain += text[i];
            continue;
        }
        if (text[i] != '%' || text.size() - i < 3) return std::nullopt;
        std::uint8_t byte = 0;
        const char* const last = text.data() + i + 3;
        const auto [end, error] = std::from_chars(text.data() + i + 1, last, byte, 16);
        if (error != std::errc{} || end != last) return std::nullopt;
        plain += static_cast<char>(byte);
        i += 2;
    }
    return plain;
}

/// Takes " key=value" from the front, value up to the next blank.
std::optional<std::string> take_value(std::string_view& rest, std::string_view key) {
    const std::string start = " " + std::string(key) + "=";
    if (!rest.starts_with(start)) return std::nullopt;
    rest.remove_prefix(start.size());
    const std::string_view value = rest.substr(0, rest.find(' '));
    rest.remove_prefix(value.size());
    return unescape(value);
}

}  // namespace

std::unique_ptr<Line> open_line(const LineAddress& address, const std::string& sysfs_root) {
    if (address.driver == LineAddress::Driver::file) return open_file_line(address);
    const std::unique_ptr<Gpio> gpio = make_gpio(sysfs_root);
    return open_gpio_line(address, *gpio);
}

// The last word shows that the text is whole: half a line's name could be another line's name.
std::string to_text(const LineAddress& address) {
    std::string text(heading);
    text += address.driver == LineAddress::Driver::gpio ? " driver=gpio" : " driver=file";
    text += address.permit_high ? " permit=high" : " permit=low";
    text += " chip=" + escape(address.chip) + " line=" + escape(address.line) + " path=" + escape(address.path);
    return text + " end";
}

std::optional<LineAddress> from_text(const std::string& text) {
    std::string_view rest = text;
    if (rest.ends_with('\n')) rest.remove_suffix(1);
    if (!rest.starts_with(heading)) return std::nullopt;
    rest.remove_prefix(heading.size());
    const auto driver = take_value(rest, "driver");
    const auto permit = take_value(rest, "permit");
    const auto chip = take_value(rest, "chip");
    const auto line = take_value(rest, "line");
    const auto path = take_value(rest, "path");
    if (!driver || !permit || !chip || !line || !path || rest != " end") return std::nullopt;
    if ((*driver != "gpio" && *driver != "file") || (*permit != "high" && *permit != "low")) return std::nullopt;
    LineAddress address;
    address.driver = *driver == "gpio" ? LineAddress::Driver::gpio : LineAddress::Driver::file;
    address.permit_high = *permit == "high";
    address.chip = *chip;
    address.line = *line;
    address.path = *path;
    return address;
}

}  // namespace dekeyd::drivers
