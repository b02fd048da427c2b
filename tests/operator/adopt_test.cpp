#include "dekeyctl/set_up/adopt.hpp"

#include <doctest/doctest.h>

#include "configuration/configuration.hpp"

using namespace dekeyd;
using ctl::find_adoption;
using ctl::OnWire;

namespace {

const formats::Configuration& annotated() {
    static const formats::Loaded loaded = formats::load_configuration_file(DEKEYD_SOURCE_DIR "/config/dekeyd.yaml");
    REQUIRE(loaded.configuration.has_value());
    return *loaded.configuration;
}

OnWire good(const char* address, double value = 21.5) {
    return {.address = address, .value = value, .fault = "none"};
}

std::string refusal(const char* what, const std::vector<OnWire>& on_wire, const char* address = "") {
    return find_adoption(annotated(), what, address, on_wire).refusal;
}

bool says(const std::string& text, const char* part) {
    CAPTURE(text);
    return text.find(part) != std::string::npos;
}

// In config/dekeyd.yaml.
constexpr const char* heatsink = "28-000000000001";
constexpr const char* ambient = "28-000000000002";
constexpr const char* fresh = "28-0000000000a7";

}  // namespace

TEST_CASE("one sensor missing and one new") {
    const auto adoption = find_adoption(annotated(), "heatsink", "", {good(ambient), good(fresh, 23.25)});
    CHECK(adoption.refusal == "");
    CHECK(adoption.sensor == "heatsink");
    CHECK(adoption.old_address == heatsink);
    CHECK(adoption.new_address == fresh);
    CHECK(adoption.old_words == "not on the bus");
    CHECK(adoption.new_value == 23.25);
}

TEST_CASE("one that is listed still and doesn't read is missing too") {
    const OnWire broken{.address = heatsink, .fault = "bad CRC"};
    CHECK(find_adoption(annotated(), "heatsink", "", {broken, good(ambient), good(fresh)}).old_words ==
          "no reading: bad CRC");
}

TEST_CASE("what is ambiguous or not missing is refused, with a way on") {
    CHECK(says(refusal("heatsink", {good(heatsink), good(ambient), good(fresh)}), "is not missing"));
    CHECK(says(refusal("heatsink", {good(ambient)}), "no new thermometer"));
    CHECK(says(refusal("heatsink", {good(ambient), {.address = fresh, .fault = "empty"}}), "no new thermometer"));
    const std::vector<OnWire> two{good(ambient), good(fresh), good("28-0000000000a8")};
    CHECK(says(refusal("heatsink", two), "several new thermometers"));
    CHECK(find_adoption(annotated(), "heatsink", "28-0000000000a8", two).new_address == "28-0000000000a8");
    CHECK(says(refusal("heatsink", two, "28-0000000000a9"), "is not there as a new thermometer"));
    // The other configured sensor is no new one.
    CHECK(says(refusal("heatsink", two, ambient), "is not there as a new thermometer"));
    // Both missing, one new: whose place?
    CHECK(says(refusal("heatsink", {good(fresh)}), "more than one sensor missing ('heatsink' and ambient)"));
    CHECK(find_adoption(annotated(), "heatsink", fresh, {good(fresh)}).refusal == "");
    // Its window is -40 to 120 degC.
    CHECK(says(refusal("heatsink", {good(ambient), good(fresh, 121.0)}), "outside the window"));
    CHECK(says(refusal("forward", {good(ambient)}), "no id of its own"));
    CHECK(says(refusal("heatsnik", {good(ambient)}), "expected one of: heatsink, ambient"));
}
