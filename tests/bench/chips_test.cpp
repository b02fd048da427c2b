#include "bench/chips.hpp"

#include <doctest/doctest.h>

using namespace bench;

TEST_CASE("ADS1115 codes") {
    CHECK(adc_code(1.234567) == 19753);  // read from the kernel's own driver at +-2.048 V
    CHECK(adc_code(0.0) == 0);
    CHECK(adc_code(-0.000125) == -2);
    CHECK(adc_code(5.0) == 32767);
    CHECK(adc_code(-5.0) == -32768);
}

TEST_CASE("DS18B20 codes") {
    // Datasheet, table of temperatures.
    CHECK(ds18b20_sixteenths(125.0) == 0x07D0);
    CHECK(ds18b20_sixteenths(85.0) == 0x0550);
    CHECK(ds18b20_sixteenths(25.0625) == 0x0191);
    CHECK(ds18b20_sixteenths(10.125) == 0x00A2);
    CHECK(ds18b20_sixteenths(0.5) == 0x0008);
    CHECK(ds18b20_sixteenths(-0.5) == static_cast<std::int16_t>(0xFFF8));
    CHECK(ds18b20_sixteenths(-25.0625) == static_cast<std::int16_t>(0xFE6F));
    CHECK(ds18b20_sixteenths(-90.0) == -55 * 16);
    CHECK(ds18b20_sixteenths(300.0) == 125 * 16);
}

TEST_CASE("LTC4151 steps: 25 mV, and 20 mA in one milliohm; 12 bits") {  // datasheet, from memory
    CHECK(ltc4151_in_mv(27.61) == 27600);
    CHECK(ltc4151_in_mv(27.62) == 27625);
    CHECK(ltc4151_curr_ma(7.715) == 7720);
    CHECK(ltc4151_in_mv(-1.0) == 0);
    CHECK(ltc4151_in_mv(500.0) == 4095 * 25);
}
