#include "guard/devices.hpp"

#include <doctest/doctest.h>

#include <filesystem>
#include <fstream>

#include "base/wall_clock.hpp"
#include "sample_plan.hpp"
#include "temporary_folder.hpp"

using namespace dekeyd;
using namespace std::chrono_literals;

namespace {

void write(const std::string& path, const std::string& text) {
    std::filesystem::create_directories(std::filesystem::path{path}.parent_path());
    std::ofstream{path} << text;
}

formats::BusConfig bus(const char* id, formats::BusDriver driver, core::Duration period) {
    formats::BusConfig made;
    made.id = id;
    made.driver = driver;
    made.period = period;
    return made;
}

}  // namespace

TEST_CASE("one bus each, in the plan's order, and one sensor for two slots of the same place") {
    const test::TemporaryFolder folder;
    const std::string adc = folder / "bus/iio/devices/iio:device0";
    write(adc + "/name", "ads1015\n");
    write(adc + "/in_voltage0_raw", "16000\n");
    write(adc + "/in_voltage0_scale", "0.062500000\n");
    write(adc + "/in_voltage1_raw", "-32768\n");
    write(adc + "/in_voltage1_scale", "0.062500000\n");
    write(folder / "class/hwmon/hwmon3/name", "ltc4151\n");
    write(folder / "class/hwmon/hwmon3/in1_input", "28123\n");
    write(folder / "bus/w1/devices/28-000000000001/temperature", "41500\n");

    formats::Configuration configuration;
    configuration.sysfs_root = folder.path();
    configuration.buses = {bus("adc", formats::BusDriver::iio, 20ms), bus("wire", formats::BusDriver::w1, 1s),
                           bus("psu", formats::BusDriver::hwmon, 100ms)};
    configuration.buses[0].device = "ads1015";
    configuration.buses[0].lowest_code = -32768.0;
    configuration.buses[0].highest_code = 32767.0;
    configuration.buses[0].slots = {{.sensor = "forward", .address = "voltage0", .chip = {}},
                                    {.sensor = "reflected", .address = "voltage1", .chip = {}},
                                    {.sensor = "forward", .address = "voltage0", .chip = {}}};
    configuration.buses[1].slots = {{.sensor = "heatsink", .address = "28-000000000001", .chip = {}}};
    configuration.buses[2].device = "ltc4151";
    configuration.buses[2].slots = {{.sensor = "supply", .address = "in1", .chip = {}}};

    std::vector<BusPlan> buses = make_buses(configuration);
    REQUIRE(buses.size() == 3);
    CHECK(buses[0].name == "adc");
    CHECK(buses[0].sensors.size() == 2);
    CHECK(buses[0].slots == std::vector<std::size_t>{0, 1, 0});
    CHECK_FALSE(buses[0].one_at_a_time);
    CHECK(buses[1].one_at_a_time);
    CHECK(is_fast(buses[0]));
    CHECK_FALSE(is_fast(buses[1]));
    CHECK(is_fast(buses[2]));

    Wake guard;
    const auto first_scan = [&](BusPlan& plan) {
        Sampler sampler{std::move(plan), guard, &monotonic_now};
        sampler.round();
        return sampler.scans().front()->samples;
    };
    const auto volts = first_scan(buses[0]);
    CHECK(volts[0].value == doctest::Approx(1.0));  // 16000 codes of 62.5 uV (ADS1115 at +-2.048 V)
    CHECK(volts[1].fault == core::Fault::saturated_low);
    CHECK(volts[2].value == doctest::Approx(1.0));
    CHECK(first_scan(buses[1])[0].value == doctest::Approx(41.5));
    CHECK(first_scan(buses[2])[0].value == doctest::Approx(28.123));
}

TEST_CASE("thermometers that convert together, by the bits that were chosen") {
    const test::TemporaryFolder folder;
    const std::string master = folder / "devices/w1_bus_master1";
    const std::string thermometer = master + "/28-000000000001";
    // By 9 bits 25 degC: the configuration byte is 0x1f (DS18B20 data sheet); checksum computed.
    write(thermometer + "/w1_slave", "90 01 4b 46 1f ff 0c 10 a3 : crc=a3 YES\n90 01 4b 46 1f ff 0c 10 a3 t=25000\n");
    write(thermometer + "/resolution", "12\n");
    std::filesystem::create_directories(folder / "bus/w1/devices");
    std::filesystem::create_symlink(thermometer, folder / "bus/w1/devices/28-000000000001");
    formats::Configuration configuration;
    configuration.sysfs_root = folder.path();
    configuration.buses = {bus("wire", formats::BusDriver::w1, 100ms)};
    configuration.buses[0].convert_together = true;
    configuration.buses[0].bits = 9;
    configuration.buses[0].slots = {{.sensor = "heatsink", .address = "28-000000000001", .chip = {}}};
    std::vector<BusPlan> buses = make_buses(configuration);
    REQUIRE(buses[0].conversion);
    CHECK_FALSE(buses[0].one_at_a_time);
    CHECK_FALSE(is_fast(buses[0]));  // it sleeps in the kernel, however short its period is
    Wake guard;
    Sampler sampler{std::move(buses[0]), guard, &monotonic_now};
    sampler.round();
    REQUIRE(sampler.scans().front() != nullptr);
    CHECK(sampler.scans().front()->samples[0].fault == core::Fault::absent);  // no therm_bulk_read
    std::string bits;
    std::getline(std::ifstream{thermometer + "/resolution"}, bits);
    CHECK(bits == "9");
    // A file that stands in for it converts nothing, and isn't believed to have.
    sampler.scans().pop();
    write(master + "/therm_bulk_read", "0\n");
    sampler.round();
    REQUIRE(sampler.scans().front() != nullptr);
    CHECK(sampler.scans().front()->samples[0].fault == core::Fault::garbled);

    configuration.buses[0].convert_together = false;
    buses = make_buses(configuration);
    CHECK_FALSE(buses[0].conversion);
    CHECK(buses[0].one_at_a_time);
    CHECK(buses[0].sensors[0]->read().value == 25.0);
}

TEST_CASE("1 is well for every contact, whichever way it is made") {
    const test::TemporaryFolder folder;
    write(folder / "lid", "1\n");
    formats::Configuration configuration;
    configuration.sysfs_root = folder.path();
    configuration.buses = {bus("contacts", formats::BusDriver::contact, 10ms)};
    configuration.buses[0].slots = {{.sensor = "lid", .address = "file:lid", .normally_closed = true, .chip = {}},
                                    {.sensor = "water", .address = "file:./lid", .normally_closed = false, .chip = {}}};
    std::vector<BusPlan> buses = make_buses(configuration);
    Wake guard;
    Sampler sampler{std::move(buses[0]), guard, &monotonic_now};
    const auto scan = [&] {
        sampler.round();
        const std::vector<core::Sample> samples = sampler.scans().front()->samples;
        sampler.scans().pop();
        return samples;
    };
    auto samples = scan();
    CHECK(samples[0].value == 1.0);
    CHECK(samples[1].value == 0.0);
    const std::uint32_t closings = samples[1].openings;
    write(folder / "lid", "0\n");
    samples = scan();
    CHECK(samples[0].value == 0.0);
    CHECK(samples[1].value == 1.0);
    write(folder / "lid", "1\n");
    samples = scan();
    CHECK(samples[1].openings == closings + 1);  // an alarm that comes between two looks isn't lost
}

TEST_CASE("only required channels bind the watchdog, by their longest age on each bus") {
    core::Plan plan = test::sample_plan();
    plan.samplers = {4, 1, 1};
    plan.channels.push_back(test::sample_channel("air", "Air", core::ChannelKind::temperature, 0));
    plan.channels.back().sampler = 1;
    plan.channels.back().required = false;
    plan.channels.push_back(test::sample_channel("supply", "Supply", core::ChannelKind::voltage, 0));
    plan.channels.back().sampler = 2;
    plan.channels.back().allowed_age = 200ms;
    plan.channels[1].allowed_age = 7s;
    CHECK(oldest_scans(plan) == std::vector<core::Duration>{7s, 0s, 200ms});
}

TEST_CASE("lines are taken at inhibit, the contactor's too") {
    const test::TemporaryFolder folder;
    write(folder / "line", "1\n");
    write(folder / "contactor", "1\n");
    formats::Configuration configuration;
    configuration.line.driver = formats::LineDriver::file;
    configuration.line.path = folder / "line";
    configuration.contactor = configuration.line;
    configuration.contactor->path = folder / "contactor";
    const Guard::Lines lines = open_lines(configuration);
    REQUIRE(lines.line);
    REQUIRE(lines.contactor);
    CHECK(lines.line->read_back() == false);
    CHECK(lines.contactor->read_back() == false);
    CHECK_THROWS_AS(open_lines(configuration), drivers::LineError);  // they have an owner
}
