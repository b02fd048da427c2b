#include "configuration/edit.hpp"

#include <doctest/doctest.h>

#include <fstream>
#include <sstream>
#include <string>

#include "temporary_folder.hpp"

using namespace dekeyd::formats;

namespace {

std::string annotated() {
    std::ifstream in{DEKEYD_SOURCE_DIR "/config/dekeyd.yaml"};
    std::ostringstream text;
    text << in.rdbuf();
    return text.str();
}

std::string replaced(std::string text, const std::string& what, const std::string& by) {
    const auto at = text.find(what);
    REQUIRE(at != std::string::npos);
    return text.replace(at, what.size(), by);
}

Edited with_address(std::string_view yaml, std::string_view sensor, std::string_view address) {
    return with_sensor_value(yaml, "", sensor, "address", address);
}

}  // namespace

TEST_CASE("one address is replaced, every other byte stays") {
    const std::string text = annotated();
    const Edited edited = with_address(text, "heatsink", "28-0000000000a7");
    CHECK(edited.trouble == "");
    CHECK(edited.text == replaced(text, "28-000000000001", "28-0000000000a7"));
    CHECK(with_address(text, "heatsink", "28-000000000001").text == text);
}

TEST_CASE("quoted, in a flow map, and with the same address in a comment before it") {
    std::string text = replaced(annotated(), "address: 28-000000000001", "address: \"28-000000000001\"");
    CHECK(with_address(text, "heatsink", "28-0000000000a7").text ==
          replaced(text, "28-000000000001", "28-0000000000a7"));
    text = replaced(annotated(), "    bus: wire\n    address: 28-000000000002",
                    "    bus: wire  # °C, was 28-000000000002\n    address: '28-000000000002'");
    CHECK(with_address(text, "ambient", "28-0000000000a7").text ==
          replaced(text, "'28-000000000002'", "'28-0000000000a7'"));
}

TEST_CASE("what can't be done is refused with a reason, and gives no text") {
    const auto refused = [](const Edited& edited, const std::string& why) {
        CHECK(edited.text.empty());
        CHECK(edited.trouble.find(why) != std::string::npos);
    };
    const std::string text = annotated();
    refused(with_address(text, "no-such", "28-0000000000a7"), "no readable 'sensors: no-such: address:'");
    refused(with_address("", "heatsink", "28-0000000000a7"), "no readable");
    refused(with_address("sensors: {heatsink: {address: [1]}}", "heatsink", "28-0000000000a7"), "no readable");
    refused(with_address(text, "heatsink", "28-000000000002"), "is read by 'heatsink' already");
    refused(with_address(text, "heatsink", "voltage0"), "is no address on the bus 'wire'");
    refused(with_address(text, "heatsink", "28-0000000000a7\n    role: fan"), "reads otherwise");
    refused(with_address(text, "heatsink", "28-0000000000a7 # c"), "reads otherwise");
    // An address written with an escape reads as the right text and stands there as another one.
    refused(with_address(replaced(text, "address: 28-000000000001", "address: \"28-00000000000\\x31\""), "heatsink",
                         "28-0000000000a7"),
            "change it by hand");
    // A file that is faulty elsewhere is not touched either.
    refused(with_address(replaced(text, "period: 20 ms", "period: 20"), "heatsink", "28-0000000000a7"), "has a fault");
}

TEST_CASE("a pending calibration is replaced in the file itself, where its folder has the calibration") {
    const dekeyd::test::TemporaryFolder folder;
    const std::string file = folder.path() + "/dekeyd.yaml";
    const std::string text = replaced(annotated(), "    # calibration: forward.calibration.yaml",
                                      "    calibration: pending  # was: forward.calibration.yaml");
    std::ofstream{file} << text;
    // Not yet there: what would be refused at the next start isn't written.
    CHECK(set_sensor_value(file, text, "forward", "calibration", "forward.calibration.yaml").find("can't be read") !=
          std::string::npos);
    std::ofstream{folder.path() + "/forward.calibration.yaml"}
        << "calibration: 1\nsensor: forward\ndate: 2026-03-01T10:00:00Z\nreference: Meter\n"
           "reference_uncertainty: 0.2 dB\nresidual: 0.1 dB\ntable:\n"
           "  - {at: -25 dBm, volts: 1.1 V}\n  - {at: 0 dBm, volts: 0.47 V}\n";
    CHECK(set_sensor_value(file, text, "forward", "calibration", "forward.calibration.yaml") == "");
    std::ostringstream now;
    now << std::ifstream{file}.rdbuf();
    CHECK(now.str() == replaced(text, "calibration: pending", "calibration: forward.calibration.yaml"));
    CHECK(set_sensor_value(file, text, "forward", "calibration", "pending").find("was changed meanwhile") !=
          std::string::npos);
}
