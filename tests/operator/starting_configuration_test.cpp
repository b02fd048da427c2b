#include "dekeyctl/starting_configuration.hpp"

#include <doctest/doctest.h>
#include <fmt/format.h>

#include <algorithm>
#include <nlohmann/json.hpp>
#include <set>
#include <sstream>
#include <string>

#include "configuration/configuration.hpp"
#include "configuration/keys.hpp"

using namespace dekeyd;
using nlohmann::json;

namespace {

json reading(const char* address, double value, const char* unit) {
    return {{"address", address}, {"value", value}, {"unit", unit}, {"fault", "none"}};
}

json found() {
    return {
        {"w1", {reading("28-0000000000a1", 23.8, "°C")}},
        {"iio",
         {{{"device", "ads1015"},
           {"label", ""},
           {"channels",
            {reading("voltage0", 1.7, "V"), reading("voltage1", 1.7, "V"), reading("voltage2", 1.7, "V")}}}}},
        {"hwmon",
         {{{"device", "ltc4151"}, {"label", ""}, {"channels", {reading("curr1", 0.5, "A"), reading("in1", 28.0, "V")}}},
          {{"device", "emc2305"}, {"label", ""}, {"channels", {reading("fan1", 3000.0, "rpm")}}}}},
        {"gpio",
         {{{"chip", "pinctrl-bcm2711"},
           {"name", "gpiochip0"},
           {"bus", ""},
           {"error", 0},
           {"lines",
            {{{"offset", 0}, {"name", "GPIO17"}, {"used", false}, {"by", ""}},
             {{"offset", 1}, {"name", "GPIO18"}, {"used", true}, {"by", "fan"}}}}}}}};
}

// Lines with a placeholder that is a value and no comment.
std::set<std::size_t> open_lines(const std::string& text) {
    std::set<std::size_t> lines;
    std::istringstream in{text};
    std::string row;
    for (std::size_t line = 1; std::getline(in, row); ++line)
        if (row.substr(0, row.find('#')).find("FILL_IN") != std::string::npos) lines.insert(line);
    return lines;
}

}  // namespace

TEST_CASE("each placeholder is refused where it stands, and nothing else is wrong") {
    const std::string text = ctl::starting_configuration(found());
    const auto open = open_lines(text);
    CHECK(open.size() > 30);
    const formats::Loaded loaded = formats::load_configuration(text);
    CHECK_FALSE(loaded.configuration.has_value());
    std::set<std::size_t> refused;
    for (const auto& fault : loaded.faults) {
        CAPTURE(fault.key);
        CAPTURE(fault.what);
        CHECK(open.count(fault.line) == 1);
        refused.insert(fault.line);
    }
    CHECK(refused == open);
}

TEST_CASE("an address is filled in where there is no choice, a used line is not offered") {
    const std::string text = ctl::starting_configuration(found());
    CHECK(text.find("address: 28-0000000000a1  # 23.8 °C") != std::string::npos);
    CHECK(text.find("address: in1  # 28.000 V") != std::string::npos);
    CHECK(text.find("#   free line: \"GPIO17\"") != std::string::npos);
    CHECK(text.find("GPIO18") == std::string::npos);
    json two = found();
    two["w1"].push_back(reading("28-0000000000a2", 24.0, "°C"));
    const std::string choice = ctl::starting_configuration(two);
    CHECK(choice.find("address: 28-0000000000a1") == std::string::npos);
    CHECK(choice.find("#   28-0000000000a2  24.0 °C") != std::string::npos);
}

TEST_CASE("defaults, and what is said of a key, come from its row") {
    const std::string text = ctl::starting_configuration(found());
    CHECK(text.starts_with("# yaml-language-server: $schema=/usr/share/dekeyd/dekeyd.schema.json\n"));
    for (const char* const path : {"guard.settling", "amplifier.minimum_forward", "sensors.forward.coupling",
                                   "line.permit", "buses.adc.codes", "commissioning.forward"}) {
        CAPTURE(path);
        const formats::KeyRow* const row = formats::find_key(formats::configuration_keys(), path, "");
        REQUIRE(row != nullptr);
        CHECK(text.find(fmt::format("# {}", row->says)) != std::string::npos);
    }
    CHECK(text.find("\n  settling: 5 s  # ") != std::string::npos);
    CHECK(text.find("Usual: 5 % of rated.") != std::string::npos);
}

TEST_CASE("nothing found, and names that would break a line") {
    const json nothing{
        {"w1", json::array()}, {"iio", json::array()}, {"hwmon", json::array()}, {"gpio", json::array()}};
    CHECK_FALSE(formats::load_configuration(ctl::starting_configuration(nothing)).configuration.has_value());
    json odd = found();
    odd["iio"][0]["device"] = "ads\"1\n015";
    CHECK(ctl::starting_configuration(odd).find("device: \"ads?1?015\"") != std::string::npos);
}
