#include "dekeyctl/set_up/starting_configuration.hpp"

#include <doctest/doctest.h>
#include <fmt/format.h>

#include <algorithm>
#include <nlohmann/json.hpp>
#include <set>
#include <sstream>
#include <string>

#include "configuration/configuration.hpp"
#include "configuration/keys.hpp"
#include "dekeyctl/set_up/blanks.hpp"
#include "dekeyctl/set_up/found.hpp"
#include "dekeyctl/set_up/where.hpp"

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

// Lines with a blank that is a value and no comment.
std::set<std::size_t> open_lines(const std::string& text) {
    std::set<std::size_t> lines;
    std::istringstream in{text};
    std::string row;
    for (std::size_t line = 1; std::getline(in, row); ++line)
        if (row.substr(0, row.find('#')).find("FILL_IN") != std::string::npos) lines.insert(line);
    return lines;
}

}  // namespace

TEST_CASE("each blank is refused where it stands, and nothing else is wrong") {
    const std::string text = ctl::starting_configuration(found());
    const auto open = open_lines(text);
    const formats::Loaded loaded = formats::load_configuration(text);
    CHECK_FALSE(loaded.configuration.has_value());
    const formats::Loaded then = formats::load_configuration(ctl::with_examples(text));
    std::set<std::size_t> refused;
    for (const auto& fault : loaded.faults) {
        CAPTURE(fault.key);
        CAPTURE(fault.what);
        if (open.count(fault.line) == 1) {
            refused.insert(fault.line);
            continue;
        }
        // What follows from a blank alone is gone once the amplifier's figures are there.
        CHECK(std::none_of(then.faults.begin(), then.faults.end(),
                           [&](const formats::Fault& one) { return one.key == fault.key; }));
    }
    CHECK(refused == open);
}

TEST_CASE("an address is filled in where there is no choice, a used line is not offered") {
    const std::string text = ctl::starting_configuration(found());
    CHECK(text.find("address: 28-0000000000a1  # 23.8 °C") != std::string::npos);
    CHECK(text.find("address: in1  # 28.000 V") != std::string::npos);
    CHECK(text.find("# free: GPIO17") != std::string::npos);
    CHECK(text.find("GPIO18") == std::string::npos);
    CHECK(text.find("chip: \"pinctrl-bcm2711\"") != std::string::npos);
    json two = found();
    two["w1"].push_back(reading("28-0000000000a2", 24.0, "°C"));
    const std::string choice = ctl::starting_configuration(two);
    CHECK(choice.find("address: 28-0000000000a1") == std::string::npos);
    CHECK(choice.find("#   28-0000000000a2  24.0 °C") != std::string::npos);
}

TEST_CASE("thermometers that may convert at once are offered to, where there are several and all may") {
    const std::string offer = "    period: 1 s\n    # All its thermometers convert at once";
    json two = found();
    two["w1"][0]["together"] = true;
    CHECK(ctl::starting_configuration(two).find(offer) == std::string::npos);
    two["w1"].push_back(reading("28-0000000000a2", 24.0, "°C"));
    CHECK(ctl::starting_configuration(two).find(offer) == std::string::npos);
    two["w1"][1]["together"] = true;
    const std::string text = ctl::starting_configuration(two);
    CHECK(text.find(offer) != std::string::npos);
    CHECK(text.find("\n    # convert_together: yes\n") != std::string::npos);
}

TEST_CASE("defaults, and what is said of a key, come from its row") {
    const std::string text = ctl::starting_configuration(found());
    CHECK(text.starts_with("# yaml-language-server: $schema=/usr/share/dekeyd/dekeyd.schema.json\n"));
    for (const char* const path : {"guard.settling", "amplifier.rated_forward", "sensors.forward.coupling",
                                   "line.permit", "buses.adc.codes", "commissioning.time"}) {
        CAPTURE(path);
        const formats::KeyRow* const row = formats::find_key(formats::configuration_keys(), path, "");
        REQUIRE(row != nullptr);
        CHECK(text.find(fmt::format("# {}", row->says)) != std::string::npos);
    }
    CHECK(text.find("\n  settling: 5 s  # ") != std::string::npos);
}

TEST_CASE("nothing found, and names that would break a line") {
    const json nothing{
        {"w1", json::array()}, {"iio", json::array()}, {"hwmon", json::array()}, {"gpio", json::array()}};
    CHECK_FALSE(formats::load_configuration(ctl::starting_configuration(nothing)).configuration.has_value());
    json odd = found();
    odd["iio"][0]["device"] = "ads\"1\n015";
    CHECK(ctl::starting_configuration(odd).find("device: \"ads?1?015\"") != std::string::npos);
}

TEST_CASE("some twenty blanks, each once, and said where its answer is found") {
    json full = found();
    full["w1"].push_back(reading("28-0000000000a2", 24.0, "°C"));
    full["iio"][0]["codes"] = "-32768 .. 32767";
    full["hwmon"][1]["channels"].push_back(reading("fan2", 2900.0, "rpm"));
    const std::string text = ctl::starting_configuration(full);
    const auto blanks = ctl::blanks_of(text);
    CHECK(blanks.size() <= 22);
    for (const ctl::Blank& blank : blanks) {
        CAPTURE(blank.key);
        CHECK_FALSE(ctl::where_found(blank.key).empty());
    }
    // Label and data sheets of the amplifier first, then the wiring, then detectors and their coupler.
    CHECK(blanks.front().key == "amplifier.frequency");
    CHECK(text.find("codes: -32768 .. 32767") != std::string::npos);
    CHECK(text.find("fan-2: {watch: fan-2, below: 300 rpm") != std::string::npos);
    CHECK(text.find("role: ambient") != std::string::npos);
}

TEST_CASE("what a station doesn't have is left out, and the hazard that nothing watches is named") {
    const std::string text = ctl::starting_configuration(found(), {"reflected", "drive", "supply", "current", "fan"});
    for (const char* const gone : {"like: forward", "role: drive", "ltc4151", "fans:", "watch: vswr", "maximum_drive"})
        CHECK(text.find(gone) == std::string::npos);
    CHECK(text.find("# accept: [no-reflected-limit, no-supply-limit]") != std::string::npos);
}

TEST_CASE("what is sent is offered where a ratio would trip for it, and each offered kind is one") {
    const std::string text = ctl::starting_configuration(found());
    const std::string offer = "# emission: {kind: voice}";
    REQUIRE(text.find(offer) != std::string::npos);
    for (const std::string kind : {"voice", "morse", "fm", "carrier", "digital-television"}) {
        std::string sent = ctl::with_examples(text);
        sent.replace(sent.find(offer), offer.size(), "emission: {kind: " + kind + "}");
        CAPTURE(kind);
        CHECK(sent.find(kind) != std::string::npos);
        for (const auto& fault : formats::load_configuration(sent).faults) CHECK(fault.key != "emission.kind");
    }
    CHECK(ctl::starting_configuration(found(), {"reflected"}).find("emission") == std::string::npos);
}

TEST_CASE("a converter's codes by its name and its step") {
    CHECK(ctl::converter_codes("ads1015", 0.0625) == "-32768 .. 32767");  // an ADS1115 at 2.048 V
    CHECK(ctl::converter_codes("ads1015", 1.0) == "-2048 .. 2047");       // an ADS1015 at 2.048 V
    CHECK(ctl::converter_codes("ads1015", 0.125).empty());                // either
    CHECK(ctl::converter_codes("mcp3008", 0.0) == "0 .. 1023");
    CHECK(ctl::converter_codes("other", 1.0).empty());
}
