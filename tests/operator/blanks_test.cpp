#include "dekeyctl/set_up/blanks.hpp"

#include <doctest/doctest.h>

#include <string>

using namespace dekeyd;

TEST_CASE("a blank is named by its path, in blocks and in braces, and not in a comment") {
    const auto blanks = ctl::blanks_of(
        "# FILL_IN stands for a value\n"
        "device:\n"
        "  id: FILL_IN  # not FILL_IN here\n"
        "sensors:\n"
        "  forward:\n"
        "    detector: {slope: FILL_IN, floor: -50 dBm, ceiling: FILL_IN}\n"
        "    coupling: FILL_IN\n"
        "limits:\n"
        "  vswr: {watch: vswr, above: FILL_IN, while: {quantity: forward, above: FILL_IN}, clear: FILL_IN}\n");
    REQUIRE(blanks.size() == 7);
    const char* const keys[] = {"device.id",
                                "sensors.forward.detector.slope",
                                "sensors.forward.detector.ceiling",
                                "sensors.forward.coupling",
                                "limits.vswr.above",
                                "limits.vswr.while.above",
                                "limits.vswr.clear"};
    const std::size_t lines[] = {3, 6, 6, 7, 9, 9, 9};
    for (std::size_t i = 0; i < 7; ++i) {
        CHECK(blanks[i].key == keys[i]);
        CHECK(blanks[i].line == lines[i]);
    }
}

TEST_CASE("a line of the to-do list says what the key is") {
    const std::string words = ctl::to_do({.line = 7, .key = "sensors.forward.coupling"});
    CHECK(words.starts_with("line 7, sensors.forward.coupling (the coupler's label): "));
    CHECK(words.size() > 40);
    CHECK(words.find('\n') == std::string::npos);
    CHECK(ctl::to_do({.line = 7, .key = "no.such.key"}) == "line 7, no.such.key");
}
