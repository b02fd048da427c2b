#include <doctest/doctest.h>

#include <stdexcept>

#include "drivers/sensor.hpp"
#include "drivers/tree.hpp"

using namespace dekeyd;
using core::Fault;
using drivers::make_hwmon_sensor;
using test::check_fault;
using test::check_value;
using test::Tree;

namespace {

const std::string chip = "class/hwmon/hwmon0/";

}  // namespace

TEST_CASE("hwmon: each kind in its unit") {
    // Units: the kernel's documentation, hwmon/sysfs-interface.
    const Tree tree;
    tree.write(chip + "name", "ltc4151\n");
    struct Row {
        const char* channel;
        const char* text;
        double value;
    };
    for (const Row& row : {Row{"in1", "28050\n", 28.05}, Row{"curr1", "8250\n", 8.25}, Row{"temp2", "-1500\n", -1.5},
                           Row{"fan1", "2400\n", 2400.0}, Row{"power1", "231400000\n", 231.4}}) {
        tree.write(chip + row.channel + "_input", row.text);
        const auto sensor = make_hwmon_sensor(tree.root(), {.chip = "ltc4151", .label = "", .channel = row.channel});
        check_value(*sensor, row.value);
        CHECK(sensor->where().find(row.channel) != std::string::npos);
    }
}

TEST_CASE("hwmon: the chip's own fault attribute") {
    const Tree tree;
    tree.write(chip + "name", "lm90\n");
    tree.write(chip + "temp2_input", "41250\n");
    tree.write(chip + "temp2_fault", "0\n");
    const auto sensor = make_hwmon_sensor(tree.root(), {.chip = "lm90", .label = "", .channel = "temp2"});
    check_value(*sensor, 41.25);
    tree.write(chip + "temp2_fault", "1\n");  // at the very next reading, not at the next refresh
    check_fault(*sensor, Fault::chip_fault);
    tree.write(chip + "temp2_fault", "");
    check_fault(*sensor, Fault::empty);
    tree.write(chip + "temp2_fault", "0\n");
    check_value(*sensor, 41.25);
    tree.remove(chip + "temp2_fault");
    sensor->refresh();
    check_value(*sensor, 41.25);
    tree.folder(chip + "temp2_fault");
    sensor->refresh();
    check_fault(*sensor, Fault::io_error);
}

TEST_CASE("hwmon: each field fault of one reading") {
    const Tree tree;
    tree.write(chip + "name", "ltc4151\n");
    const auto sensor = make_hwmon_sensor(tree.root(), {.chip = "ltc4151", .label = "", .channel = "in1"});
    check_fault(*sensor, Fault::absent);
    struct Row {
        std::string text;
        Fault fault;
    };
    for (const Row& row : {Row{"", Fault::empty}, Row{"nan\n", Fault::garbled}, Row{"28,05\n", Fault::garbled},
                           Row{"28050 mV\n", Fault::garbled}, Row{std::string(100'000, '1'), Fault::garbled}}) {
        tree.write(chip + "in1_input", row.text);
        sensor->refresh();
        check_fault(*sensor, row.fault);
        tree.write(chip + "in1_input", "28050\n");
        check_value(*sensor, 28.05);
    }
    tree.remove(chip + "in1_input");
    sensor->refresh();
    check_fault(*sensor, Fault::absent);
}

TEST_CASE("hwmon: found by name, whatever its number; two are refused until told apart") {
    const Tree tree;
    tree.write("class/hwmon/hwmon3/name", "ltc4151\n");
    tree.write("class/hwmon/hwmon3/in1_input", "28050\n");
    const auto sensor = make_hwmon_sensor(tree.root(), {.chip = "ltc4151", .label = "", .channel = "in1"});
    check_value(*sensor, 28.05);
    tree.write("class/hwmon/hwmon5/name", "ltc4151\n");
    tree.write("class/hwmon/hwmon5/in1_input", "12000\n");
    sensor->refresh();
    check_fault(*sensor, Fault::wrong_device);
    check_value(*make_hwmon_sensor(tree.root(), {.chip = "ltc4151", .label = "hwmon5", .channel = "in1"}), 12.0);
    tree.remove("class/hwmon/hwmon3");
    sensor->refresh();
    check_value(*sensor, 12.0);
}

TEST_CASE("hwmon: a channel that can't be is refused at once") {
    for (const char* channel : {"", "in", "volt1", "in1_input", "in1x", "1", "../in1"}) {
        CAPTURE(channel);
        CHECK_THROWS_AS(make_hwmon_sensor("/sys", {.chip = "ltc4151", .label = "", .channel = channel}),
                        std::invalid_argument);
    }
}

TEST_CASE("hwmon: reading allocates nothing once open") {
    const Tree tree;
    tree.write(chip + "name", "ltc4151\n");
    tree.write(chip + "in1_input", "28050\n");
    tree.write(chip + "in1_fault", "0\n");
    const auto sensor = make_hwmon_sensor(tree.root(), {.chip = "ltc4151", .label = "", .channel = "in1"});
    check_value(*sensor, 28.05);
    const std::size_t before = test::allocations();
    for (int i = 0; i < 100; ++i) static_cast<void>(sensor->read());
    CHECK(test::allocations() == before);
}
