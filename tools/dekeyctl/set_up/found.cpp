#include "dekeyctl/set_up/found.hpp"

#include <fmt/format.h>

#include <nlohmann/json.hpp>

#include "dekeyctl/text.hpp"

namespace dekeyd::ctl {
namespace {

using Json = nlohmann::json;

std::vector<Input> inputs(const Json& list) {
    std::vector<Input> all;
    for (const Json& one : list) {
        const std::string unit = one.at("unit");
        all.push_back({one.at("address").get<std::string>(),
                       one.at("value").is_number()
                           ? (unit == "V" ? fmt::format("{:.3f} V", one.at("value").get<double>())
                                          : with_unit(one.at("value"), unit))
                           : "no reading: " + one.at("fault").get<std::string>()});
    }
    return all;
}

Device device_of(const Json& json, std::string_view driver) {
    return {.bus = {},
            .driver = std::string{driver},
            .name = json.at("device"),
            .label = json.at("label"),
            .inputs = inputs(json.at("channels")),
            .codes = json.value("codes", "")};
}

}  // namespace

std::string inert(const std::string& text) {
    std::string safe = printable(text);
    for (char& c : safe)
        if (c == '"' || c == '\\' || c == '\'') c = '?';
    return safe;
}

std::vector<Input> Device::of(std::string_view kind) const {
    std::vector<Input> some;
    for (const Input& one : inputs)
        if (one.address.starts_with(kind)) some.push_back(one);
    return some;
}

Found read_found(const Json& json) {
    Found found;
    found.host = json.value("host", "");
    std::size_t together = 0;
    const auto wire = inputs(json.at("w1"));
    for (std::size_t i = 0; i < wire.size(); ++i) {
        if (!wire[i].address.starts_with("28-")) continue;
        found.wire.push_back(wire[i]);
        together += json.at("w1")[i].value("together", false) ? 1 : 0;
    }
    found.together = together > 1 && together == found.wire.size();
    for (const Json& one : json.at("iio")) {
        Device device = device_of(one, "iio");
        if (!found.adc && !device.of("voltage").empty()) found.adc = std::move(device);
    }
    for (const Json& one : json.at("hwmon")) {
        const Device device = device_of(one, "hwmon");
        if (!found.supply && !device.of("in").empty() && !device.of("curr").empty()) found.supply = device;
        if (!found.fan && !device.of("fan").empty()) found.fan = device;
    }
    if (found.adc) found.adc->bus = "adc";
    if (found.supply) found.supply->bus = "psu";
    if (found.fan) found.fan->bus = "fans";
    for (const Json& chip : json.at("gpio")) {
        if (!chip.at("bus").get<std::string>().empty() || chip.at("error") != 0) continue;
        found.chips.push_back(inert(chip.at("chip")));
        for (const Json& line : chip.at("lines")) {
            const std::string name = line.at("name");
            if (!name.empty() && !line.at("used").get<bool>()) found.free_lines.push_back(inert(name));
        }
    }
    return found;
}

// Codes by the parts' data sheets: TI ADS1115 (SBAS444) and ADS1015 (SBAS473), Microchip MCP3004/3008 and 3204/3208.
// The kernel calls both of TI's ads1015, and one code of the former is 0.1875 mV at most, of the latter 0.125 mV at
// least: between them neither is known. From memory.
std::string converter_codes(std::string_view name, double code_mv) {
    constexpr double most_of_16_bits_mv = 0.1875, least_of_12_bits_mv = 0.125;
    if (name == "ads1015" || name == "ads1115") {
        if (code_mv > 0.0 && code_mv < least_of_12_bits_mv * 0.99) return "-32768 .. 32767";
        return code_mv > most_of_16_bits_mv * 1.01 ? "-2048 .. 2047" : "";
    }
    if (name == "mcp3004" || name == "mcp3008") return "0 .. 1023";
    return name == "mcp3204" || name == "mcp3208" ? "0 .. 4095" : "";
}

}  // namespace dekeyd::ctl
