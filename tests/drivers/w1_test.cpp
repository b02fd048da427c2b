#include <doctest/doctest.h>
#include <unistd.h>

#include <chrono>
#include <cstring>
#include <stdexcept>

#include "drivers/sensor.hpp"
#include "drivers/tree.hpp"

using namespace dekeyd;
using core::Fault;
using drivers::make_w1_sensor;
using test::check_fault;
using test::check_value;
using test::Tree;

namespace {

/// What a file holds after each write, in place of what was written: a part that takes it and forgets it.
const char* kept = nullptr;

}  // namespace

// By the linker's --wrap, all calls of write() in this program.
extern "C" ssize_t __real_write(int file, const void* bytes, std::size_t size);
extern "C" ssize_t __wrap_write(int file, const void* bytes, std::size_t size) {
    if (kept == nullptr) return __real_write(file, bytes, size);
    return __real_write(file, kept, std::strlen(kept)) < 0 ? -1 : static_cast<ssize_t>(size);
}

namespace {

const std::string id = "28-000000000001";
const std::string folder = "bus/w1/devices/" + id;
const std::string temperature = folder + "/temperature";
const std::string slave = folder + "/w1_slave";

core::Duration datasheet_time(int bits) {
    return std::chrono::microseconds{750'000 >> (12 - bits)};
}

std::string frame_text(const std::string& frame, const std::string& millidegrees) {
    return frame + " : crc=" + frame.substr(frame.size() - 2) + " YES\n" + frame + " t=" + millidegrees + "\n";
}

}  // namespace

TEST_CASE("1-Wire: the temperature attribute") {
    const Tree tree;
    tree.write(temperature, "41250\n");
    const auto sensor = make_w1_sensor(tree.root(), id);
    check_value(*sensor, 41.25);
    tree.write(temperature, "85000\n");
    check_value(*sensor, 85.0);
    tree.write(temperature, "-10125\n");
    check_value(*sensor, -10.125);
    CHECK(sensor->where().find(temperature) != std::string::npos);
}

TEST_CASE("1-Wire: each field fault of one reading, and recovery from it without a restart") {
    const Tree tree;
    const auto sensor = make_w1_sensor(tree.root(), id);
    check_fault(*sensor, Fault::absent);
    struct Row {
        std::string text;
        Fault fault;
    };
    for (const Row& row : {Row{"", Fault::empty}, Row{"nan\n", Fault::garbled}, Row{"inf\n", Fault::garbled},
                           Row{"0xA122\n", Fault::garbled}, Row{"41,25\n", Fault::garbled},
                           Row{"41250 C\n", Fault::garbled}, Row{std::string("\0\xff\x01", 3), Fault::garbled},
                           Row{std::string(1'000'000, '4'), Fault::garbled}, Row{"125001\n", Fault::outside_part},
                           Row{"-55001\n", Fault::outside_part}, Row{"4095875\n", Fault::outside_part}}) {
        tree.write(temperature, row.text);
        sensor->refresh();
        check_fault(*sensor, row.fault);
        tree.write(temperature, "41250\n");
        check_value(*sensor, 41.25);
    }
    tree.remove(temperature);
    tree.folder(temperature);
    sensor->refresh();
    check_fault(*sensor, Fault::io_error);
    tree.remove(temperature);
    tree.fifo(temperature);
    sensor->refresh();
    check_fault(*sensor, Fault::io_error);
    tree.remove(folder);  // the kernel takes the folder of a lost slave away
    sensor->refresh();
    check_fault(*sensor, Fault::absent);
    tree.write(temperature, "39000\n");
    sensor->refresh();
    check_value(*sensor, 39.0);
}

TEST_CASE("1-Wire: one bad sensor doesn't touch the others") {
    const Tree tree;
    tree.write(temperature, "41250\n");
    const auto good = make_w1_sensor(tree.root(), id);
    const auto lost = make_w1_sensor(tree.root(), "28-000000000002");
    check_fault(*lost, Fault::absent);
    check_value(*good, 41.25);
}

TEST_CASE("1-Wire: a sensor that went and came back is another file") {
    const Tree tree;
    tree.write(temperature, "20000\n");
    const auto sensor = make_w1_sensor(tree.root(), id);
    check_value(*sensor, 20.0);
    tree.replace(temperature, "60000\n");
    sensor->refresh();
    check_value(*sensor, 60.0);
    tree.remove(temperature);
    sensor->refresh();
    check_fault(*sensor, Fault::absent);
}

TEST_CASE("1-Wire: a kernel that has w1_slave alone") {
    const Tree tree;
    tree.write(slave, frame_text("91 01 4b 46 7f ff 0c 10 70", "25062"));  // DS18B20 datasheet, Table 1: +25.0625 degC
    const auto sensor = make_w1_sensor(tree.root(), id);
    check_value(*sensor, 25.062);
    CHECK(sensor->where().find("w1_slave") != std::string::npos);
    tree.write(slave, "91 01 4b 46 7f ff 0c 10 71 : crc=70 NO\n91 01 4b 46 7f ff 0c 10 70 t=25062\n");
    check_fault(*sensor, Fault::bad_crc);
    tree.write(slave, frame_text("00 00 00 00 00 00 00 00 00", "0"));
    check_fault(*sensor, Fault::outside_part);
    tree.write(slave, "");
    check_fault(*sensor, Fault::empty);
    tree.write(temperature, "30000\n");  // preferred as soon as it is there
    sensor->refresh();
    check_value(*sensor, 30.0);
}

TEST_CASE("1-Wire: exactly 0 degC is believed only from a frame that a part can send") {
    const Tree tree;
    tree.write(temperature, "0\n");
    const auto sensor = make_w1_sensor(tree.root(), id);
    check_value(*sensor, 0.0);  // nothing to ask
    tree.write(slave, frame_text("00 00 00 00 00 00 00 00 00", "0"));
    sensor->refresh();
    check_fault(*sensor, Fault::outside_part);  // the bus is shorted to ground
    tree.write(slave, frame_text("00 00 4b 46 7f ff 0c 10 c8", "0"));
    check_value(*sensor, 0.0);
}

TEST_CASE("1-Wire: by its frame alone, so that 0 degC costs no second conversion") {
    const Tree tree;
    tree.write(temperature, "30000\n");
    const auto sensor = make_w1_sensor(tree.root(), id, {.by_frame = true});
    check_fault(*sensor, Fault::absent);
    CHECK(sensor->where().find("w1_slave") != std::string::npos);
    tree.write(slave, frame_text("91 01 4b 46 7f ff 0c 10 70", "25062"));
    sensor->refresh();
    check_value(*sensor, 25.062);
    tree.write(slave, frame_text("00 00 00 00 00 00 00 00 00", "0"));
    check_fault(*sensor, Fault::outside_part);
}

TEST_CASE("1-Wire: the bits are set where they differ, and every reading must be by them") {
    const Tree tree;
    const std::string resolution = folder + "/resolution";
    const auto said = [&] {
        std::string text;
        std::getline(std::ifstream{tree.path(resolution)}, text);
        return text;
    };
    // The configuration byte of 9 bits is 0x1f, of 12 bits 0x7f (DS18B20 datasheet, figure 10); checksums computed.
    const std::string nine = frame_text("90 01 4b 46 1f ff 0c 10 a3", "25000");
    const std::string twelve = frame_text("91 01 4b 46 7f ff 0c 10 70", "25062");
    tree.write(slave, nine);
    const auto sensor = make_w1_sensor(tree.root(), id, {.by_frame = false, .bits = 9});
    check_fault(*sensor, Fault::absent);  // no attribute for it
    tree.write(resolution, "12\n");
    sensor->refresh();
    CHECK(said() == "9");
    check_value(*sensor, 25.0);
    // The part was without its supply, and is back at what it keeps.
    tree.write(slave, twelve);
    tree.write(resolution, "12\n");
    check_fault(*sensor, Fault::wrong_device);
    tree.write(slave, nine);
    check_fault(*sensor, Fault::wrong_device);  // until the kernel knows of it, too
    sensor->refresh();
    CHECK(said() == "9");
    check_value(*sensor, 25.0);
    // Set already: nothing is written.
    tree.write(resolution, "9 \n");
    make_w1_sensor(tree.root(), id, {.by_frame = false, .bits = 9})->refresh();
    CHECK(said() == "9 ");
    // Of a part that was never set, the text that the kernel gives for a failed reading, and no file.
    for (const auto& [text, fault] :
         {std::pair{std::string("what"), Fault::garbled}, std::pair{std::string(), Fault::empty}}) {
        tree.write(resolution, text);
        check_fault(*make_w1_sensor(tree.root(), id, {.by_frame = false, .bits = 9}), fault);
    }
    tree.remove(resolution);
    tree.folder(resolution);
    check_fault(*make_w1_sensor(tree.root(), id, {.by_frame = false, .bits = 9}), Fault::io_error);
}

TEST_CASE("1-Wire: a part that forgets the bits that it was set to isn't the one that it should be") {
    const Tree tree;
    tree.write(slave, frame_text("90 01 4b 46 1f ff 0c 10 a3", "25000"));  // of 9 bits: the frame alone would pass
    tree.write(folder + "/resolution", "12\n");
    const auto sensor = make_w1_sensor(tree.root(), id, {.by_frame = false, .bits = 9});
    kept = "12\n";
    check_fault(*sensor, Fault::wrong_device);
    sensor->refresh();
    check_fault(*sensor, Fault::wrong_device);
    kept = nullptr;
    sensor->refresh();
    check_value(*sensor, 25.0);
}

TEST_CASE("1-Wire: a value that the kernel didn't wait long enough for is no reading") {
    const Tree tree;
    const std::string waits = folder + "/conv_time";
    const std::string nine = frame_text("90 01 4b 46 1f ff 0c 10 a3", "25000");
    const std::string twelve = frame_text("91 01 4b 46 7f ff 0c 10 70", "25062");
    tree.write(temperature, "30000\n");
    tree.write(slave, twelve);
    tree.write(waits, "95\n");  // what the kernel waits for 9 bits
    const drivers::W1Reading how{.by_frame = false, .bits = 0, .conversion_time = &datasheet_time};
    const auto sensor = make_w1_sensor(tree.root(), id, how);
    check_fault(*sensor, Fault::io_error);
    CHECK(sensor->where().find("w1_slave") != std::string::npos);
    sensor->refresh();
    check_fault(*sensor, Fault::io_error);
    tree.write(waits, "750\n");
    check_fault(*sensor, Fault::io_error);  // its conversion may have begun before that
    check_value(*sensor, 25.062);
    tree.write(waits, "749\n");
    check_fault(*sensor, Fault::io_error);
    tree.write(slave, nine);
    tree.write(waits, "94\n");
    check_value(*sensor, 25.0);
    tree.write(waits, "93\n");
    check_fault(*sensor, Fault::io_error);
    // Not known: the kernel's answer for a part that it can't handle, and no number.
    tree.write(waits, "");
    check_fault(*sensor, Fault::empty);
    tree.write(waits, "long\n");
    check_fault(*sensor, Fault::garbled);
    // Each family's frame has the place of the bits: of a DS18S20, which always takes 750 ms, with all of them set.
    const std::string old = "10-000000000001";
    tree.write("bus/w1/devices/" + old + "/w1_slave", frame_text("32 00 4b 46 ff ff 0c 10 6b", "25000"));
    tree.write("bus/w1/devices/" + old + "/conv_time", "750\n");
    check_value(*make_w1_sensor(tree.root(), old, how), 25.0);
    tree.write("bus/w1/devices/" + old + "/conv_time", "375\n");
    check_fault(*make_w1_sensor(tree.root(), old, how), Fault::io_error);
    // A kernel that waits for the longest conversion, always.
    tree.remove(waits);
    sensor->refresh();
    check_value(*sensor, 30.0);
}

TEST_CASE("1-Wire: bits that can't be set are a fault of the reading") {
    const Tree tree;
    tree.write(slave, frame_text("90 01 4b 46 1f ff 0c 10 a3", "25000"));
    tree.write(folder + "/resolution", "12\n");
    REQUIRE(::chmod(tree.root().c_str(), 0755) == 0);
    REQUIRE(::chmod(tree.path(folder + "/resolution").c_str(), 0444) == 0);
    const int fault = test::as_nobody(
        [](const std::string& root) {
            return static_cast<int>(make_w1_sensor(root, id, {.by_frame = false, .bits = 9})->read().fault);
        },
        tree.root());
    if (fault < 0) {
        MESSAGE("skipped: this machine doesn't let a test give up root's rights");
    } else {
        CHECK(static_cast<Fault>(fault) == Fault::no_permission);
    }
}

TEST_CASE("1-Wire: a file that this user may not read") {
    const Tree tree;
    tree.write(temperature, "41250\n");
    REQUIRE(::chmod(tree.root().c_str(), 0755) == 0);
    REQUIRE(::chmod(tree.path(temperature).c_str(), 0) == 0);
    const int fault = test::as_nobody(
        [](const std::string& root) { return static_cast<int>(make_w1_sensor(root, id)->read().fault); }, tree.root());
    if (fault < 0) {
        MESSAGE("skipped: this machine doesn't let a test give up root's rights");
    } else {
        CHECK(static_cast<Fault>(fault) == Fault::no_permission);
    }
}

TEST_CASE("1-Wire: an id that is no name is refused at once") {
    CHECK_THROWS_AS(make_w1_sensor("/sys", "../28-000000000001"), std::invalid_argument);
    CHECK_THROWS_AS(make_w1_sensor("/sys", ""), std::invalid_argument);
}

TEST_CASE("1-Wire: reading allocates nothing once open") {
    const Tree tree;
    tree.write(temperature, "0\n");
    tree.write(slave, frame_text("00 00 4b 46 7f ff 0c 10 c8", "0"));
    const auto sensor = make_w1_sensor(tree.root(), id);
    check_value(*sensor, 0.0);
    const std::size_t before = test::allocations();
    for (int i = 0; i < 100; ++i) static_cast<void>(sensor->read());
    sensor->refresh();
    CHECK(test::allocations() == before);
}
