#include "bench/faults.hpp"

#include <doctest/doctest.h>

#include <string>

using namespace bench;

TEST_CASE("every word that a message offers is understood") {
    for (const char* word :
         {"good", "absent", "empty", "garbage", "frozen", "85", "crc", "jammed", "swapped", "rf-noise", "shorted"}) {
        CAPTURE(word);
        CHECK(sensor_fault(word).has_value());
        CHECK(sensor_fault_words().find(word) != std::string_view::npos);
    }
    for (const char* word : {"good", "absent", "empty", "garbage", "stuck", "railed", "zero", "exchanged", "renumbered",
                             "jammed", "ones"}) {
        CAPTURE(word);
        CHECK(chip_fault(word).has_value());
        CHECK(chip_fault_words().find(word) != std::string_view::npos);
    }
    CHECK(sensor_fault("85") == SensorFault::power_on);
    CHECK(chip_fault("railed") == ChipFault::railed);
    CHECK_FALSE(sensor_fault("Good"));
    CHECK_FALSE(sensor_fault(""));
    CHECK_FALSE(chip_fault("goo"));
}
