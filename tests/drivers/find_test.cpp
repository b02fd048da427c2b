#include "drivers/find.hpp"

#include <doctest/doctest.h>

#include "drivers/tree.hpp"

using namespace dekeyd;
using test::Tree;

TEST_CASE("a machine without any of it finds nothing") {
    const Tree tree;
    CHECK(drivers::find_w1(tree.root()).empty());
    CHECK(drivers::find_iio(tree.root()).empty());
    CHECK(drivers::find_hwmon(tree.root()).empty());
}

TEST_CASE("1-Wire ids, and which of them measure a temperature") {
    const Tree tree;
    tree.write("bus/w1/devices/28-00000000000b/temperature", "20000\n");
    tree.write("bus/w1/devices/28-00000000000a/w1_slave", "");
    tree.folder("bus/w1/devices/01-0000000000ff");
    tree.folder("bus/w1/devices/w1_bus_master1");
    tree.write("devices/w1_bus_master2/28-00000000000c/temperature", "20000\n");
    tree.write("devices/w1_bus_master2/therm_bulk_read", "0\n");
    tree.link("bus/w1/devices/28-00000000000c", "devices/w1_bus_master2/28-00000000000c");
    const auto found = drivers::find_w1(tree.root());
    REQUIRE(found.size() == 4);
    CHECK(found[3].together);
    CHECK_FALSE(found[2].together);
    CHECK(found[0].id == "01-0000000000ff");
    CHECK_FALSE(found[0].temperature);
    CHECK(found[1].id == "28-00000000000a");
    CHECK(found[1].temperature);
    CHECK(found[2].id == "28-00000000000b");
    CHECK(found[2].temperature);
}

TEST_CASE("IIO devices with their channels, and whether the name alone will do") {
    const Tree tree;
    for (const std::string device : {"iio:device0", "iio:device1"}) {
        tree.write("bus/iio/devices/" + device + "/name", "ads1015\n");
        tree.write("bus/iio/devices/" + device + "/in_voltage1_raw", "0\n");
        tree.write("bus/iio/devices/" + device + "/in_voltage0_raw", "0\n");
        tree.write("bus/iio/devices/" + device + "/in_voltage0_scale", "1\n");
    }
    tree.write("bus/iio/devices/iio:device1/label", "coupler\n");
    tree.write("bus/iio/devices/iio:device2/name", "board\n");
    tree.write("bus/iio/devices/iio:device2/in_temp_input", "0\n");
    tree.write("bus/iio/devices/iio:device2/in_temp_raw", "0\n");
    const auto found = drivers::find_iio(tree.root());
    REQUIRE(found.size() == 3);
    CHECK(found[0].channels == std::vector<std::string>{"voltage0", "voltage1"});
    CHECK_FALSE(found[0].name_is_unique);
    CHECK(found[1].label == "coupler");
    CHECK(found[1].path == "/bus/iio/devices/iio:device1");
    CHECK(found[2].name == "board");
    CHECK(found[2].name_is_unique);
    CHECK(found[2].channels == std::vector<std::string>{"temp"});
}

TEST_CASE("hwmon chips with the channels that a configuration can name") {
    const Tree tree;
    tree.write("class/hwmon/hwmon0/name", "ltc4151\n");
    for (const char* file : {"in1_input", "curr1_input", "in1_max", "humidity1_input", "fan2_input"}) {
        tree.write(std::string("class/hwmon/hwmon0/") + file, "0\n");
    }
    const auto found = drivers::find_hwmon(tree.root());
    REQUIRE(found.size() == 1);
    CHECK(found[0].name == "ltc4151");
    CHECK(found[0].channels == std::vector<std::string>{"curr1", "fan2", "in1"});
}
