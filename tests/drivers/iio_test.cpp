#include <doctest/doctest.h>

#include <stdexcept>

#include "drivers/sensor.hpp"
#include "drivers/tree.hpp"

using namespace dekeyd;
using core::Fault;
using drivers::IioAddress;
using drivers::make_iio_sensor;
using test::check_fault;
using test::check_value;
using test::Tree;

namespace {

const std::string device = "bus/iio/devices/iio:device0/";
const IioAddress forward{
    .device = "ads1015", .label = "", .channel = "voltage0", .lowest_code = -32768.0, .highest_code = 32767.0};

/// What the kernel's driver shows for an ADS1115 at +-2.048 V: 62.5 uV a step (SBAS444D, Table 3).
void write_ads1115(const Tree& tree, const std::string& folder = device) {
    tree.write(folder + "name", "ads1015\n");
    tree.write(folder + "in_voltage0_raw", "19753\n");
    tree.write(folder + "in_voltage0_scale", "0.062500000\n");
}

}  // namespace

TEST_CASE("IIO: raw times scale, in volts") {
    const Tree tree;
    write_ads1115(tree);
    const auto sensor = make_iio_sensor(tree.root(), forward);
    check_value(*sensor, 1.2345625);  // 1.234567 V at the real driver's input read raw 19753
    tree.write(device + "in_voltage0_raw", "-3\n");
    check_value(*sensor, -0.0001875);
    CHECK(sensor->where().find("in_voltage0_raw") != std::string::npos);
}

TEST_CASE("IIO: the converter's rails, with the ends given and without") {
    const Tree tree;
    write_ads1115(tree);
    const auto sensor = make_iio_sensor(tree.root(), forward);
    tree.write(device + "in_voltage0_raw", "32767\n");
    check_fault(*sensor, Fault::saturated_high);
    tree.write(device + "in_voltage0_raw", "-32768\n");
    check_fault(*sensor, Fault::saturated_low);
    tree.write(device + "in_voltage0_raw", "40000\n");
    check_fault(*sensor, Fault::outside_part);
    tree.write(device + "in_voltage0_raw", "32767\n");
    IioAddress no_ends = forward;
    no_ends.lowest_code = no_ends.highest_code = 0.0;
    check_value(*make_iio_sensor(tree.root(), no_ends), 2.0479375);
}

TEST_CASE("IIO: shared scale, own before shared, offset of both kinds") {
    const Tree tree;
    tree.write(device + "name", "mcp3208\n");
    tree.write(device + "in_voltage3_raw", "2048\n");
    tree.write(device + "in_voltage_scale", "0.805664062\n");  // 3.3 V / 4096 (MCP3208)
    const IioAddress address{.device = "mcp3208", .label = "", .channel = "voltage3"};
    const auto sensor = make_iio_sensor(tree.root(), address);
    check_value(*sensor, 1.649999998976);
    tree.write(device + "in_voltage_offset", "-48\n");
    sensor->refresh();
    check_value(*sensor, 1.611328124);
    tree.write(device + "in_voltage3_scale", "0.5\n");
    tree.write(device + "in_voltage3_offset", "52\n");
    sensor->refresh();
    check_value(*sensor, 1.05);
}

TEST_CASE("IIO: a scale of nothing, or below it, is no scale, and where() says so") {
    const Tree tree;
    write_ads1115(tree);
    const auto sensor = make_iio_sensor(tree.root(), forward);
    for (const char* wrong : {"0.000000000\n", "-0.062500000\n"}) {
        tree.write(device + "in_voltage0_scale", wrong);
        sensor->refresh();
        check_fault(*sensor, Fault::garbled);
        CHECK(sensor->where().find("expected more than 0") != std::string::npos);
    }
    tree.write(device + "in_voltage0_scale", "0.062500000\n");
    sensor->refresh();
    check_value(*sensor, 1.2345625);
    CHECK(sensor->where().find("expected") == std::string::npos);
}

TEST_CASE("IIO: differential channel, temperature raw and processed, modifier") {
    const Tree tree;
    tree.write(device + "name", "adc\n");
    tree.write(device + "in_voltage0-voltage1_raw", "100\n");
    tree.write(device + "in_voltage-voltage_scale", "2\n");
    check_value(*make_iio_sensor(tree.root(), {.device = "adc", .label = "", .channel = "voltage0-voltage1"}), 0.2);
    tree.write(device + "in_temp_raw", "51000\n");
    tree.write(device + "in_temp_scale", "0.5\n");
    tree.write(device + "in_temp_offset", "-1000\n");
    check_value(*make_iio_sensor(tree.root(), {.device = "adc", .label = "", .channel = "temp"}), 25.0);
    tree.write(device + "in_temp1_input", "41250\n");
    const auto processed = make_iio_sensor(
        tree.root(), {.device = "adc", .label = "", .channel = "temp1", .lowest_code = 0.0, .highest_code = 4095.0});
    check_value(*processed, 41.25);  // millidegrees, no raw code: the converter's ends mean nothing here
    CHECK(processed->where().find("in_temp1_input") != std::string::npos);
    tree.write(device + "in_temp_ambient_raw", "50000\n");
    check_value(*make_iio_sensor(tree.root(), {.device = "adc", .label = "", .channel = "temp_ambient"}), 24.5);
}

TEST_CASE("IIO: each field fault of one reading") {
    const Tree tree;
    write_ads1115(tree);
    const auto sensor = make_iio_sensor(tree.root(), forward);
    struct Row {
        std::string text;
        Fault fault;
    };
    for (const Row& row :
         {Row{"", Fault::empty}, Row{"nan\n", Fault::garbled}, Row{"-inf\n", Fault::garbled},
          Row{"0x4d29\n", Fault::garbled}, Row{"19,753\n", Fault::garbled}, Row{"19753 mV\n", Fault::garbled},
          Row{std::string("\0\1\2", 3), Fault::garbled}, Row{std::string(100'000, '1'), Fault::garbled}}) {
        tree.write(device + "in_voltage0_raw", row.text);
        check_fault(*sensor, row.fault);
        tree.write(device + "in_voltage0_raw", "16000\n");
        check_value(*sensor, 1.0);
    }
    tree.remove(device + "in_voltage0_raw");
    sensor->refresh();
    check_fault(*sensor, Fault::absent);
    tree.fifo(device + "in_voltage0_raw");
    sensor->refresh();
    check_fault(*sensor, Fault::io_error);
    tree.remove(device + "in_voltage0_raw");
    tree.write(device + "in_voltage0_raw", "16000\n");
    sensor->refresh();
    check_value(*sensor, 1.0);
}

TEST_CASE("IIO: a scale that can't be is a fault, and a changed one is noticed") {
    const Tree tree;
    write_ads1115(tree);
    const auto sensor = make_iio_sensor(tree.root(), forward);
    check_value(*sensor, 1.2345625);
    tree.write(device + "in_voltage0_scale", "0.125000000\n");
    sensor->refresh();
    check_value(*sensor, 2.469125);
    for (const char* text : {"0\n", "0.0\n", "nan\n", "0,0625\n", "2 dB\n"}) {
        CAPTURE(text);
        tree.write(device + "in_voltage0_scale", text);
        sensor->refresh();
        check_fault(*sensor, Fault::garbled);
    }
    tree.write(device + "in_voltage0_scale", "");
    sensor->refresh();
    check_fault(*sensor, Fault::empty);
    tree.remove(device + "in_voltage0_scale");
    sensor->refresh();
    check_fault(*sensor, Fault::absent);
    tree.write(device + "in_voltage0_scale", "0.0625\n");
    tree.write(device + "in_voltage0_offset", "none\n");
    sensor->refresh();
    check_fault(*sensor, Fault::garbled);
}

TEST_CASE("IIO: numbers swap while running, and the reading stays with its device") {
    const Tree tree;
    write_ads1115(tree);
    tree.write("bus/iio/devices/iio:device1/name", "mcp3208\n");
    tree.write("bus/iio/devices/iio:device1/in_voltage0_raw", "1\n");
    tree.write("bus/iio/devices/iio:device1/in_voltage0_scale", "1\n");
    const auto sensor = make_iio_sensor(tree.root(), forward);
    check_value(*sensor, 1.2345625);
    test::fs::rename(tree.path("bus/iio/devices/iio:device0"), tree.path("bus/iio/devices/keep"));
    test::fs::rename(tree.path("bus/iio/devices/iio:device1"), tree.path("bus/iio/devices/iio:device0"));
    sensor->refresh();
    check_fault(*sensor, Fault::absent);
    test::fs::rename(tree.path("bus/iio/devices/keep"), tree.path("bus/iio/devices/iio:device4"));
    sensor->refresh();
    check_value(*sensor, 1.2345625);
    CHECK(sensor->where().find("iio:device4") != std::string::npos);
}

TEST_CASE("IIO: two devices of the same name are refused until told apart") {
    const Tree tree;
    write_ads1115(tree);
    const auto sensor = make_iio_sensor(tree.root(), forward);
    check_value(*sensor, 1.2345625);
    write_ads1115(tree, "bus/iio/devices/iio:device1/");
    tree.write("bus/iio/devices/iio:device1/in_voltage0_raw", "16000\n");
    sensor->refresh();
    check_fault(*sensor, Fault::wrong_device);
    CHECK(sensor->where().find("2 devices are called 'ads1015'") != std::string::npos);
    tree.write("bus/iio/devices/iio:device1/label", "second\n");
    IioAddress second = forward;
    second.label = "second";
    check_value(*make_iio_sensor(tree.root(), second), 1.0);
    tree.remove("bus/iio/devices/iio:device1");
    sensor->refresh();
    check_value(*sensor, 1.2345625);
}

TEST_CASE("IIO: a device that was bound anew is another file") {
    const Tree tree;
    write_ads1115(tree);
    const auto sensor = make_iio_sensor(tree.root(), forward);
    check_value(*sensor, 1.2345625);
    tree.replace(device + "in_voltage0_raw", "16000\n");
    sensor->refresh();
    check_value(*sensor, 1.0);
}

TEST_CASE("IIO: a channel that is no name is refused at once") {
    CHECK_THROWS_AS(make_iio_sensor("/sys", {.device = "ads1015", .label = "", .channel = "../x"}),
                    std::invalid_argument);
}

TEST_CASE("IIO: reading allocates nothing once open") {
    const Tree tree;
    write_ads1115(tree);
    const auto sensor = make_iio_sensor(tree.root(), forward);
    check_value(*sensor, 1.2345625);
    const std::size_t before = test::allocations();
    for (int i = 0; i < 100; ++i) static_cast<void>(sensor->read());
    CHECK(test::allocations() == before);
}
