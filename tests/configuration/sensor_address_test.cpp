// Addresses as the kernel's own documents have them (ABI/testing/sysfs-bus-iio, hwmon/sysfs-interface, w1_therm).
#include "configuration/sensor_address.hpp"

#include <doctest/doctest.h>

#include <algorithm>
#include <string>

using namespace dekeyd;
using namespace dekeyd::formats;

TEST_CASE("addresses of each bus") {
    CHECK(native_at(BusDriver::w1, "28-0123456789ab") == Native::temperature);
    CHECK(native_at(BusDriver::w1, "10-000000000001") == Native::temperature);
    CHECK(native_at(BusDriver::iio, "voltage0") == Native::voltage);
    CHECK(native_at(BusDriver::iio, "voltage0-voltage1") == Native::voltage);
    CHECK(native_at(BusDriver::iio, "current1") == Native::current);
    CHECK(native_at(BusDriver::iio, "temp") == Native::temperature);
    CHECK(native_at(BusDriver::hwmon, "in1") == Native::voltage);
    CHECK(native_at(BusDriver::hwmon, "curr1") == Native::current);
    CHECK(native_at(BusDriver::hwmon, "temp2") == Native::temperature);
    CHECK(native_at(BusDriver::hwmon, "fan1") == Native::speed);
    CHECK(native_at(BusDriver::hwmon, "power1") == Native::power);
    CHECK(native_at(BusDriver::contact, "GPIO17") == Native::contact);
}

TEST_CASE("what is no address") {
    for (const char* bad : {"", "28-0123456789AB", "28-0123456789a", "28-0123456789abc", "29-0123456789ab",
                            "28:0123456789ab", "../../etc", "28-../../../etc", "28-0123456789ag"})
        CHECK_FALSE(native_at(BusDriver::w1, bad));
    for (const char* bad : {"", "voltage", "in_voltage0_raw", "voltage0_raw", "voltage-1", "voltage0-", "Voltage0",
                            "voltage0000", "in1", "voltage0-voltage", "voltage0/../x"})
        CHECK_FALSE(native_at(BusDriver::iio, bad));
    for (const char* bad : {"", "in", "in1_input", "voltage0", "fan", "IN1", "in 1"})
        CHECK_FALSE(native_at(BusDriver::hwmon, bad));
    CHECK_FALSE(native_at(BusDriver::contact, ""));
    CHECK_FALSE(native_at(BusDriver::contact, "a\nb"));
    CHECK_FALSE(native_at(BusDriver::contact, std::string(65, 'a')));
}

TEST_CASE("what can be worked out from each") {
    const auto can = [](Native native, core::ChannelKind kind) {
        const auto kinds = kinds_from(native);
        return std::find(kinds.begin(), kinds.end(), kind) != kinds.end();
    };
    CHECK(can(Native::voltage, core::ChannelKind::power));
    CHECK(can(Native::voltage, core::ChannelKind::temperature));
    CHECK_FALSE(can(Native::temperature, core::ChannelKind::power));
    CHECK_FALSE(can(Native::current, core::ChannelKind::voltage));
    CHECK_FALSE(can(Native::voltage, core::ChannelKind::contact));
    CHECK(kinds_from(Native::power).empty());
}

TEST_CASE("the widest windows leave small negative codes healthy and a broken part out") {
    const Range volts = widest_window(BusDriver::iio, Native::voltage);
    CHECK(volts.low < -0.01);
    CHECK(volts.low > -0.1);
    const Range heat = widest_window(BusDriver::w1, Native::temperature);
    CHECK(heat.low == -40.0);
    CHECK(heat.high == 120.0);
}
