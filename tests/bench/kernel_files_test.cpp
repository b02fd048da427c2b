#include "bench/kernel_files.hpp"

#include <doctest/doctest.h>
#include <fcntl.h>
#include <sys/stat.h>
#include <unistd.h>

#include <chrono>
#include <future>
#include <string>
#include <thread>

#include "bench/chips.hpp"
#include "temporary.hpp"

using namespace bench;
namespace fs = std::filesystem;

namespace {

Registers usual() {
    Registers registers;
    registers.adc = {7977, 16555, 9278, -3};
    registers.heatsink_sixteenths = 0x0191;  // 25.0625 degC
    registers.air_sixteenths = 22 * 16;
    registers.supply_mv = 27600;
    registers.current_ma = 7720;
    registers.fan_rpm = 2400;
    return registers;
}

struct Tree {
    TemporaryFolder folder;
    KernelFiles files{folder.path};
    Registers registers = usual();
    Faults faults;

    Tree() { write(); }
    void write() { files.write(registers, faults); }
    [[nodiscard]] fs::path at(const char* below) const { return folder.path / below; }
    [[nodiscard]] std::string text(const char* below) const { return content(at(below)); }
};

constexpr const char* temperature = "bus/w1/devices/28-0000000000a1/temperature";
constexpr const char* slave = "bus/w1/devices/28-0000000000a1/w1_slave";
constexpr const char* raw0 = "bus/iio/devices/iio:device0/in_voltage0_raw";

struct Descriptor {
    int number;
    explicit Descriptor(const fs::path& path) : number(::open(path.c_str(), O_RDONLY | O_CLOEXEC)) {}
    ~Descriptor() { ::close(number); }
    Descriptor(const Descriptor&) = delete;
    Descriptor& operator=(const Descriptor&) = delete;
    [[nodiscard]] std::string read() const {
        char bytes[256];
        const ssize_t got = ::pread(number, bytes, sizeof bytes, 0);
        return {bytes, static_cast<std::size_t>(got < 0 ? 0 : got)};
    }
};

}  // namespace

TEST_CASE("the whole tree, as the kernel's drivers show it") {
    const Tree tree;
    CHECK(tree.text("bus/w1/devices/28-0000000000a1/name") == "28-0000000000a1\n");
    CHECK(tree.text(temperature) == "  25062\n");
    CHECK(tree.text("bus/w1/devices/28-0000000000a2/temperature") == "  22000\n");
    CHECK(tree.text("bus/iio/devices/iio:device0/name") == "ads1015\n");
    CHECK(tree.text(raw0) == "   7977\n");
    CHECK(tree.text("bus/iio/devices/iio:device0/in_voltage1_raw") == "  16555\n");
    CHECK(tree.text("bus/iio/devices/iio:device0/in_voltage3_raw") == "     -3\n");
    CHECK(tree.text("bus/iio/devices/iio:device0/in_voltage0_scale") == "0.062500000\n");
    CHECK(tree.text("class/hwmon/hwmon0/name") == "ltc4151\n");
    CHECK(tree.text("class/hwmon/hwmon0/in1_input") == "  27600\n");
    CHECK(tree.text("class/hwmon/hwmon0/curr1_input") == "   7720\n");
    CHECK(tree.text("class/hwmon/hwmon1/name") == "pwmfan\n");
    CHECK(tree.text("class/hwmon/hwmon1/fan1_input") == "   2400\n");
    CHECK(tree.text("contact/emergency-stop") == "1\n");
    CHECK(tree.text("contact/key") == "0\n");
    CHECK_FALSE(fs::exists(tree.at("bus/w1/devices/28-0000000000b7")));
}

TEST_CASE("numbers: one length for all that a chip can give") {
    for (const int value : {0, 7, -7, 32767, -32768, 125000, -55000, 102375}) {
        CAPTURE(value);
        CHECK(number_text(value).size() == 8);
        CHECK(std::stoi(number_text(value)) == value);
    }
}

TEST_CASE("w1_slave: the kernel's two lines with a right CRC") {
    // The shape as in the kernel's w1_therm; CRC 1c of 50 05 4b 46 7f ff 0c 10 computed with Maxim's polynomial.
    CHECK(w1_slave_text(0x0550) == "50 05 4b 46 7f ff 0c 10 1c : crc=1c YES\n50 05 4b 46 7f ff 0c 10 1c t=85000\n");
    CHECK(w1_slave_text(-162).find("5e ff ") == 0);  // datasheet: FF5E is -10.125 degC
    CHECK(w1_slave_text(-162).find("t=-10125\n") != std::string::npos);
    CHECK(millidegrees(0x07D0) == 125000);
    CHECK(millidegrees(-8) == -500);
}

TEST_CASE("an open file follows, without changing its length or its inode") {
    Tree tree;
    const Descriptor open_one(tree.at(raw0));
    CHECK(open_one.read() == "   7977\n");
    tree.registers.adc[0] = 28003;
    tree.write();
    CHECK(open_one.read() == "  28003\n");
    CHECK(tree.text(raw0) == "  28003\n");
}

TEST_CASE("w1_slave gets shorter and longer without leftovers") {
    Tree tree;
    for (const int sixteenths : {10 * 16, 9 * 16, 0, -5 * 16, 100 * 16, 25 * 16}) {
        tree.registers.heatsink_sixteenths = sixteenths;
        tree.write();
        CHECK(tree.text(slave) == w1_slave_text(sixteenths));
    }
}

TEST_CASE("no reader sees half a value, nor none") {
    Tree tree;
    const Descriptor open_one(tree.at(raw0));
    std::atomic<bool> done{false};
    int torn = 0;
    int reads = 0;
    std::thread reader([&] {
        while (!done) {
            const std::string text = open_one.read();
            ++reads;
            if (text != "  11111\n" && text != "  22222\n" && text != "   7977\n") ++torn;
        }
    });
    for (int i = 0; i < 20000; ++i) {
        tree.registers.adc[0] = i % 2 == 0 ? 11111 : 22222;
        tree.write();
    }
    done = true;
    reader.join();
    CHECK(torn == 0);
    CHECK(reads > 0);
}

TEST_CASE("a 1-Wire sensor's faults and its return") {
    Tree tree;
    const auto with = [&](SensorFault fault) {
        tree.faults.heatsink = fault;
        tree.write();
    };
    with(SensorFault::absent);
    CHECK_FALSE(fs::exists(tree.at("bus/w1/devices/28-0000000000a1")));
    with(SensorFault::good);
    CHECK(tree.text(temperature) == "  25062\n");
    with(SensorFault::empty);
    CHECK(fs::exists(tree.at(temperature)));
    CHECK(tree.text(temperature).empty());
    CHECK(tree.text(slave).empty());
    with(SensorFault::garbage);
    CHECK(tree.text(temperature) == "  2?q7!\n");
    with(SensorFault::power_on);
    CHECK(tree.text(temperature) == "  85000\n");
    CHECK(tree.text(slave) == w1_slave_text(0x0550));
    with(SensorFault::crc);
    CHECK(tree.text(temperature).empty());
    CHECK(tree.text(slave).empty());
    with(SensorFault::shorted);  // as the kernel's w1_therm shows it (tests/hardware/drivers_test.py)
    CHECK(tree.text(temperature) == "      0\n");
    CHECK(tree.text(slave) == "00 00 00 00 00 00 00 00 00 : crc=00 YES\n00 00 00 00 00 00 00 00 00 t=0\n");
    with(SensorFault::good);
    CHECK(tree.text(slave) == w1_slave_text(0x0191));
    with(SensorFault::frozen);
    tree.registers.heatsink_sixteenths = 50 * 16;
    tree.write();
    CHECK(tree.text(temperature) == "  25062\n");
    with(SensorFault::good);
    CHECK(tree.text(temperature) == "  50000\n");
    CHECK(tree.text("bus/w1/devices/28-0000000000a2/temperature") == "  22000\n");
}

TEST_CASE("a swapped sensor: the old id is gone, a new one is there, and back") {
    Tree tree;
    tree.faults.heatsink = SensorFault::swapped;
    tree.write();
    CHECK_FALSE(fs::exists(tree.at("bus/w1/devices/28-0000000000a1")));
    CHECK(tree.text("bus/w1/devices/28-0000000000b7/name") == "28-0000000000b7\n");
    CHECK(tree.text("bus/w1/devices/28-0000000000b7/temperature") == "  25062\n");
    tree.faults.heatsink = SensorFault::good;
    tree.write();
    CHECK(tree.text(temperature) == "  25062\n");
    CHECK_FALSE(fs::exists(tree.at("bus/w1/devices/28-0000000000b7")));
}

TEST_CASE("a removed device's open file goes on with its last text, as the kernel's does") {
    Tree tree;
    const Descriptor open_one(tree.at(temperature));
    tree.faults.heatsink = SensorFault::absent;
    tree.registers.heatsink_sixteenths = 60 * 16;
    tree.write();
    CHECK(open_one.read() == "  25062\n");
}

TEST_CASE("the converter's faults and its return") {
    Tree tree;
    const auto with = [&](ChipFault fault) {
        tree.faults.adc = fault;
        tree.write();
    };
    with(ChipFault::railed);
    CHECK(tree.text(raw0) == "  32767\n");
    with(ChipFault::zero);
    CHECK(tree.text(raw0) == "      0\n");
    with(ChipFault::ones);
    CHECK(tree.text(raw0) == "     -1\n");
    with(ChipFault::exchanged);
    CHECK(tree.text(raw0) == "  16555\n");
    CHECK(tree.text("bus/iio/devices/iio:device0/in_voltage1_raw") == "   7977\n");
    with(ChipFault::good);
    with(ChipFault::stuck);
    tree.registers.adc[0] = 1;
    tree.write();
    CHECK(tree.text(raw0) == "   7977\n");
    with(ChipFault::empty);
    CHECK(tree.text(raw0).empty());
    CHECK(tree.text("bus/iio/devices/iio:device0/in_voltage0_scale") == "0.062500000\n");
    with(ChipFault::garbage);
    CHECK(tree.text(raw0) == "  2?q7!\n");
    with(ChipFault::absent);
    CHECK_FALSE(fs::exists(tree.at("bus/iio/devices/iio:device0")));
    with(ChipFault::good);
    CHECK(tree.text(raw0) == "      1\n");
    with(ChipFault::renumbered);
    CHECK_FALSE(fs::exists(tree.at("bus/iio/devices/iio:device0")));
    CHECK(tree.text("bus/iio/devices/iio:device4/name") == "ads1015\n");
    tree.registers.adc[0] = 77;
    tree.write();
    CHECK(tree.text("bus/iio/devices/iio:device4/in_voltage0_raw") == "     77\n");
    with(ChipFault::good);
    CHECK(tree.text(raw0) == "     77\n");
    CHECK_FALSE(fs::exists(tree.at("bus/iio/devices/iio:device4")));
}

TEST_CASE("an unplugged detector reads about nothing, the others as before; the supply's chip has faults of its own") {
    Tree tree;
    tree.faults.unplugged[reflected] = true;
    tree.faults.psu = ChipFault::railed;
    tree.faults.fan = ChipFault::absent;
    tree.write();
    CHECK(std::abs(std::stoi(tree.text("bus/iio/devices/iio:device0/in_voltage1_raw"))) < 3);
    CHECK(tree.text(raw0) == "   7977\n");
    CHECK(tree.text("class/hwmon/hwmon0/in1_input") == " 102375\n");
    CHECK_FALSE(fs::exists(tree.at("class/hwmon/hwmon1")));
}

TEST_CASE("a jammed device: whoever opens a file hangs until it is freed") {
    Tree tree;
    tree.faults.heatsink = SensorFault::jammed;
    tree.write();
    CHECK(tree.text("bus/w1/devices/28-0000000000a1/name") == "28-0000000000a1\n");
    auto reader = std::async(std::launch::async, [&] { return content(tree.at(temperature)); });
    // That it hangs can only be shown by waiting; a tenth of a second, and a false "hangs" fails nothing else.
    CHECK(reader.wait_for(std::chrono::milliseconds(100)) == std::future_status::timeout);
    tree.faults.heatsink = SensorFault::good;
    tree.write();
    REQUIRE(reader.wait_for(std::chrono::seconds(20)) == std::future_status::ready);
    CHECK(tree.text(temperature) == "  25062\n");
    CHECK(fs::is_regular_file(tree.at(temperature)));
}

TEST_CASE("jammed, then absent: the hanging reader is let go") {
    Tree tree;
    tree.faults.adc = ChipFault::jammed;
    tree.write();
    auto reader = std::async(std::launch::async, [&] { return content(tree.at(raw0)); });
    CHECK(reader.wait_for(std::chrono::milliseconds(50)) == std::future_status::timeout);
    tree.faults.adc = ChipFault::absent;
    tree.write();
    REQUIRE(reader.wait_for(std::chrono::seconds(20)) == std::future_status::ready);
    CHECK_FALSE(fs::exists(tree.at("bus/iio/devices/iio:device0")));
}

TEST_CASE("what a killed bench left is replaced, and the devices go with the bench") {
    TemporaryFolder folder;
    fs::create_directories(folder.path / "bus/iio/devices/iio:device0");
    fs::create_directories(folder.path / "bus/iio/devices/iio:device4");
    std::ofstream(folder.path / "bus/iio/devices/iio:device0/in_voltage0_raw") << "123456789012\n";
    {
        KernelFiles files(folder.path);
        files.write(usual(), {});
        CHECK(content(folder.path / raw0) == "   7977\n");
        CHECK_FALSE(fs::exists(folder.path / "bus/iio/devices/iio:device4"));
    }
    CHECK_FALSE(fs::exists(folder.path / "bus/iio/devices/iio:device0"));
    CHECK_FALSE(fs::exists(folder.path / "bus/w1/devices/28-0000000000a1"));
}

TEST_CASE("a folder that can't be written is an error that names it") {
    CHECK_THROWS(KernelFiles("/proc/nowhere"));
}
