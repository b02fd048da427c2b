// `check --here`: a sound station gives no complaint, and each wiring mistake one of its own.
#include "dekeyctl/set_up/here.hpp"

#include <doctest/doctest.h>
#include <sys/stat.h>

#include <algorithm>
#include <functional>
#include <optional>
#include <string>
#include <vector>

#include "configuration/configuration.hpp"
#include "drivers/fake_gpio.hpp"
#include "drivers/tree.hpp"

using namespace dekeyd;

namespace {

// A detector as the AD8318's data sheet describes it: -24.4 mV/dB, intercept 19.6 dBm at 2.2 GHz (from memory). At rest
// it gives some 1.7 V: 27250 codes of 0.0625 mV.
constexpr const char* station_text = R"(dekeyd: 1
device: {id: valley-70cm, name: Valley station}
paths: {sysfs: SYS}
line: {driver: gpio, chip: pinctrl-soc, line: AMP_ENABLE, permit: high}
buses:
  wire: {driver: w1, period: 1 s}
  adc: {driver: iio, device: ads1015, period: 20 ms, codes: -32768 .. 32767}
  psu: {driver: hwmon, device: ltc4151, period: 100 ms}
  inputs: {driver: contact, period: 20 ms}
sensors:
  heatsink: {name: Heatsink, bus: wire, address: 28-000000000001, measures: temperature, role: heatsink, allowed_age: 6 s, power_on_value: 85 degC, valid: -40 degC .. 120 degC}
  air: {name: Air, bus: wire, address: 28-000000000002, measures: temperature, role: ambient, allowed_age: 6 s, valid: -40 degC .. 120 degC}
  forward: {name: Forward power, bus: adc, address: voltage0, measures: power, role: forward, allowed_age: 200 ms, valid: 0.29 V .. 2.0 V, detector: {slope: -24.4 mV/dB, intercept: 19.6 dBm, floor: -50 dBm, ceiling: 5 dBm}, coupling: 40 dB, pads: 10 dB, cable: 0.5 dB}
  reflected: {name: Reflected power, bus: adc, address: voltage1, measures: power, role: reflected, allowed_age: 200 ms, valid: 0.29 V .. 2.0 V, detector: {slope: -24.4 mV/dB, intercept: 19.6 dBm, floor: -50 dBm, ceiling: 5 dBm}, coupling: 40 dB, pads: 10 dB, cable: 0.5 dB}
  supply: {name: Supply, bus: psu, address: in1, measures: voltage, role: supply, allowed_age: 500 ms, valid: 1 V .. 60 V}
  current: {name: Supply current, bus: psu, address: curr1, measures: current, role: current, allowed_age: 500 ms, valid: -1 A .. 40 A}
  lid: {name: Lid, bus: inputs, address: LID, chip: pinctrl-soc, measures: contact, normally: closed, allowed_age: 200 ms}
amplifier: {rated_forward: 300 W, minimum_forward: 15 W, rf_present: 100 mW, nominal_supply: 50 V, maximum_current: 14 A, directivity: 30 dB, release_time: 100 ms}
limits:
  heatsink: {watch: heatsink, above: 70 degC, clear: 55 degC, qualify: 1 s, hold_off: 30 s, rearm: automatic}
  vswr: {watch: vswr, above: 2.0, clear: rf off, qualify: 20 ms, hold_off: 1 s, rearm: latched, while: {quantity: forward, above: 15 W}}
  reflected: {watch: reflected, above: 30 W, clear: rf off, qualify: 10 ms, hold_off: 1 s, rearm: latched}
  forward: {watch: forward, above: 330 W, clear: rf off, qualify: 10 ms, hold_off: 5 s, rearm: automatic}
  supply-high: {watch: supply, above: +10 %, clear: +5 %, qualify: 20 ms, hold_off: 5 s, rearm: automatic}
  supply-low: {watch: supply, below: -15 %, clear: -7 %, qualify: 500 ms, hold_off: 5 s, rearm: automatic}
  current: {watch: current, above: 14 A, clear: rf off, qualify: 50 ms, hold_off: 1 s, rearm: latched}
)";

struct Station {
    test::Tree tree;
    test::Board board = test::demo_board();
    std::string text = station_text;
    double clock_s = 0.0;  ///< what the first bus takes
    bool guard_runs = false;
    std::optional<::gid_t> guards_group;
    std::vector<std::string> drop_ins;

    Station() {
        struct stat root {};
        REQUIRE(::stat(tree.root().c_str(), &root) == 0);
        guards_group = root.st_gid;
        const std::string wire = "bus/w1/devices/", adc = "bus/iio/devices/iio:device0/", psu = "class/hwmon/hwmon0/";
        tree.write(wire + "28-000000000001/temperature", "21500\n");
        tree.write(wire + "28-000000000002/temperature", "19000\n");
        tree.write(adc + "name", "ads1015\n");
        for (const char* const channel : {"voltage0", "voltage1"}) {
            tree.write(adc + "in_" + channel + "_raw", "27250\n");
            tree.write(adc + "in_" + channel + "_scale", "0.062500000\n");
        }
        tree.write(psu + "name", "ltc4151\n");
        tree.write(psu + "in1_input", "49800\n");
        tree.write(psu + "curr1_input", "400\n");
        board.high[{"gpiochip0", 3}] = false;  // a closed lid pulls its pad to ground
    }

    /// Its thermometers below one master, which lets them convert together.
    void together() {
        replace("driver: w1, period: 1 s", "driver: w1, period: 1 s, convert_together: yes");
        for (const std::string id : {"28-000000000001", "28-000000000002"}) {
            tree.folder("devices/w1_bus_master1");
            test::fs::rename(tree.path("bus/w1/devices/" + id), tree.path("devices/w1_bus_master1/" + id));
            tree.link("bus/w1/devices/" + id, "devices/w1_bus_master1/" + id);
        }
        tree.write("devices/w1_bus_master1/therm_bulk_read", "0\n");
        REQUIRE(::chmod(tree.path("devices/w1_bus_master1/therm_bulk_read").c_str(), 0664) == 0);
    }

    /// That are to be set to other bits, each by whom its mode lets.
    void bits(::mode_t mode) {
        replace("driver: w1, period: 1 s", "driver: w1, period: 1 s, bits: 9");
        tree.write("bus/w1/devices/28-000000000001/resolution", "9\n");
        tree.write("bus/w1/devices/28-000000000002/resolution", "12\n");
        for (const std::string id : {"28-000000000001", "28-000000000002"})
            REQUIRE(::chmod(tree.path("bus/w1/devices/" + id + "/resolution").c_str(), mode) == 0);
    }

    void replace(const std::string& old, const std::string& by) {
        const auto at = text.find(old);
        REQUIRE_MESSAGE(at != std::string::npos, old);
        text.replace(at, old.size(), by);
    }

    ctl::Here look() {
        std::string yaml = text;
        yaml.replace(yaml.find("SYS"), 3, tree.root());
        const formats::Loaded loaded = formats::load_configuration(yaml);
        for (const auto& fault : loaded.faults) MESSAGE(fault.key << ": " << fault.what << "; " << fault.expected);
        REQUIRE(loaded.configuration.has_value());
        auto now = std::chrono::steady_clock::time_point{};
        return ctl::look_here(*loaded.configuration,
                              {.gpio = [this] { return std::make_unique<test::FakeGpio>(board); },
                               .now =
                                   [this, &now, looks = 0]() mutable {
                                       if (++looks == 2)  // after the first bus
                                           now += std::chrono::milliseconds{static_cast<int>(clock_s * 1000.0)};
                                       return now;
                                   },
                               .guard_runs = guard_runs,
                               .guards_group = guards_group,
                               .drop_ins = drop_ins});
    }
};

struct Mistake {
    const char* what;
    std::function<void(Station&)> plant;
    std::vector<std::string> said;  ///< parts of its one sentence
};

const std::string wire = "bus/w1/devices/", adc = "bus/iio/devices/iio:device0/", psu = "class/hwmon/hwmon0/";
const std::string bulk = "devices/w1_bus_master1/therm_bulk_read";

std::vector<Mistake> mistakes() {
    return {
        {"a thermometer that isn't on the bus",
         [](Station& s) { s.replace("28-000000000001", "28-0000000000ff"); },
         {"Heatsink", "absent; on the bus are: 28-000000000001, 28-000000000002"}},
        {"an address of something else on the bus",
         [](Station& s) { s.tree.remove(wire + "28-000000000002/temperature"); },
         {"Air", "it is on the bus, and is no thermometer"}},
        {"a thermometer without its supply",
         [](Station& s) { s.tree.write(wire + "28-000000000001/temperature", "85000\n"); },
         {"Heatsink (28-000000000001) says 85.0 °C twice", "does it have its supply?"}},
        {"a thermometer with two wires crossed",
         [](Station& s) { s.tree.write(wire + "28-000000000002/temperature", ""); },
         {"Air", "empty answer"}},
        {"thermometers that could convert together on a later kernel",
         [](Station& s) {
             s.together();
             s.tree.remove(bulk);
         },
         {"bus 'wire': ", "therm_bulk_read isn't there, and nothing converts together",
          "expected 'convert_together: no'"}},
        {"a common conversion that only root may ask for",
         [](Station& s) {
             s.together();
             REQUIRE(::chmod(s.tree.path(bulk).c_str(), 0644) == 0);
         },
         {"bus 'wire': only root may write ", "udevadm trigger", "drop-in thermometers.conf"}},
        {"a common conversion that another group may ask for",
         [](Station& s) {
             s.together();
             *s.guards_group += 1;
         },
         {"bus 'wire': the group dekeyd may not write ", "udevadm trigger"}},
        {"a common conversion for a group that isn't there",
         [](Station& s) {
             s.together();
             s.guards_group.reset();
         },
         {"bus 'wire': there is no group dekeyd ", "install the package"}},
        {"a common conversion that the service isn't let ask for",
         [](Station& s) {
             s.together();
             s.drop_ins = {s.tree.path("etc/dekeyd.service.d")};
         },
         {"bus 'wire': ", "etc/dekeyd.service.d has no drop-in that lets the service write below /sys/devices",
          "copy thermometers.conf"}},
        {"bits that the service isn't let set, with a drop-in for something else",
         [](Station& s) {
             s.bits(0664);
             s.tree.write("etc/dekeyd.service.d/other.conf",
                          "[Service]\n#ReadWritePaths=/sys/devices\nReadWritePaths=/srv\n");
             s.tree.write("etc/dekeyd.service.d/thermometers.conf.old", "[Service]\nReadWritePaths=/sys/devices\n");
             s.drop_ins = {s.tree.path("none"), s.tree.path("etc/dekeyd.service.d")};
         },
         {"bus 'wire': ", "has no drop-in that lets the service write below /sys/devices", "copy thermometers.conf"}},
        {"thermometers on two masters that should convert together",
         [](Station& s) {
             s.together();
             s.tree.remove(wire + "28-000000000002");
             s.tree.write("devices/w1_bus_master2/28-000000000002/temperature", "19000\n");
             s.tree.link(wire + "28-000000000002", "devices/w1_bus_master2/28-000000000002");
         },
         {"bus 'wire': its thermometers are on several bus masters", "a bus of its own"}},
        {"bits that only root may set",
         [](Station& s) { s.bits(0644); },
         {"air: it is set to other bits than 9, and only root may write ", "drop-in thermometers.conf"}},
        {"bits that another group may set",
         [](Station& s) {
             s.bits(0664);
             *s.guards_group += 1;
         },
         {"air: it is set to other bits than 9, and the group dekeyd may not write ", "udevadm trigger"}},
        {"bits that this kernel can't set",
         [](Station& s) {
             s.replace("driver: w1, period: 1 s", "driver: w1, period: 1 s, bits: 9");
             s.tree.write(wire + "28-000000000001/resolution", "9\n");
         },
         {"air: ", "resolution isn't there, and its bits can't be set"}},
        {"a thermometer that lies elsewhere",
         [](Station& s) { s.tree.write(wire + "28-000000000002/temperature", "44000\n"); },
         {"Heatsink shows 21.5 °C and Air 44.0 °C: more than 15 K apart"}},
        {"two converters of one name",
         [](Station& s) { s.tree.write("bus/iio/devices/iio:device1/name", "ads1015\n"); },
         {"bus 'adc': 2 devices are called 'ads1015'", "tell them apart by label"}},
        {"a converter whose overlay isn't loaded",
         [](Station& s) { s.tree.write(adc + "name", "mcp3208\n"); },
         {"bus 'adc': no device 'ads1015'", "there are: mcp3208"}},
        {"a channel that the converter hasn't",
         [](Station& s) { s.replace("address: voltage1", "address: voltage7"); },
         {"Reflected power", "absent; ads1015 has: voltage0, voltage1"}},
        {"a detector that is unplugged, its input pulled down",
         [](Station& s) { s.tree.write(adc + "in_voltage0_raw", "320\n"); },
         {"Forward power: its sensor gives 0.02 V, outside its window of 0.29 V .. 2.00 V"}},
        {"a detector beyond the converter's range",
         [](Station& s) { s.tree.write(adc + "in_voltage1_raw", "32767\n"); },
         {"Reflected power", "converter at its upper end; is it unplugged"}},
        {"a slope of the wrong sign",
         [](Station& s) {
             s.replace("slope: -24.4 mV/dB, intercept: 19.6 dBm", "slope: 24.4 mV/dB, intercept: -70 dBm");
         },
         {"Forward power:", "by its law power raises its volts: is the sign of its slope wrong"}},
        {"a detector of another part, or RF",
         [](Station& s) { s.tree.write(adc + "in_voltage0_raw", "16900\n"); },
         {"Forward power:", "it counts as RF", "is it another part, or another channel?"}},
        {"a scale that the converter's driver hasn't set",
         [](Station& s) { s.tree.write(adc + "in_voltage0_scale", "0\n"); },
         {"Forward power", "expected more than 0", "garbled"}},
        {"a monitor chip that isn't there",
         [](Station& s) { s.tree.remove("class/hwmon/hwmon0"); },
         {"bus 'psu': no device 'ltc4151'", "is its driver loaded?"}},
        {"a monitor on the wrong rail",
         [](Station& s) { s.tree.write(psu + "in1_input", "12100\n"); },
         {"Supply reads 12.10 V at rest, and 'supply-low' trips at or below 42.50 V"}},
        {"a supply not set to its voltage",
         [](Station& s) { s.tree.write(psu + "in1_input", "45500\n"); },
         {"Supply reads 45.50 V at rest, and 'supply-low' clears only at 46.50 V"}},
        {"a shunt the wrong way round",
         [](Station& s) { s.tree.write(psu + "curr1_input", "-4000\n"); },
         {"Supply current: its sensor gives -4.0"}},
        {"a sensor that the chip itself misses",
         [](Station& s) { s.tree.write(psu + "curr1_fault", "1\n"); },
         {"Supply current", "the chip reports a fault; is the sensor at its input plugged in?"}},
        {"a lid switch with a cut wire",
         [](Station& s) {
             s.board.high[{"gpiochip0", 3}] = true;
         },
         {"Lid is open", "look for a cut wire"}},
        {"a switch of the other kind",
         [](Station& s) { s.replace("normally: closed", "normally: open"); },
         {"Lid is closed", "or 'normally: closed'"}},
        {"a contact on the line's own pad",
         [](Station& s) { s.replace("address: LID, chip: pinctrl-soc", "address: '2', chip: gpiochip0"); },
         {"Lid: gpiochip0 line 2 is the pad of 'line'"}},
        {"a contact whose line isn't there",
         [](Station& s) { s.replace("address: LID", "address: LIDD"); },
         {"Lid: GPIO line 'LIDD' not found on chip 'pinctrl-soc'"}},
        {"a line that isn't there",
         [](Station& s) { s.replace("line: AMP_ENABLE", "line: AMP_ENABEL"); },
         {"line: GPIO line 'AMP_ENABEL' not found"}},
        {"a chip that isn't there",
         [](Station& s) { s.replace("chip: pinctrl-soc, line", "chip: pinctrl-bcm, line"); },
         {"line: GPIO chip 'pinctrl-bcm' not found; the GPIO chips are gpiochip0 ('pinctrl-soc')"}},
        {"two lines of one name",
         [](Station& s) {
             s.replace("chip: pinctrl-soc, line: AMP_ENABLE", "line: AMP_ENABLE");
             s.board.chips[1].lines[1].name = "AMP_ENABLE";
         },
         {"line: GPIO line 'AMP_ENABLE' is not unique"}},
        {"a line behind an expander",
         [](Station& s) { s.replace("chip: pinctrl-soc, line: AMP_ENABLE", "line: SPARE"); },
         {"line: gpiochip2 line 0 is on I2C"}},
        {"a line that a driver has taken",
         [](Station& s) { s.replace("chip: pinctrl-soc, line: AMP_ENABLE", "line: FAN_ON"); },
         {"line: gpiochip1 line 0 is held by 'fan'"}},
        {"a bus too slow for the ages",
         [](Station& s) { s.clock_s = 5.1; },
         {"bus 'wire': a round took 6.1 s with its period, and Heatsink may be 6.0 s old at most"}},
    };
}

std::string all(const ctl::Here& here) {
    std::string text;
    for (const auto& one : here.amiss) text += one + "\n";
    return text;
}

}  // namespace

TEST_CASE("a sound station at rest gives no complaint, and nothing of it is driven") {
    Station s;
    const ctl::Here here = s.look();
    CHECK(all(here) == "");
    CHECK(here.unseen.empty());
    CHECK(here.seen.size() == 8);
    for (const std::string& done : s.board.log) {
        CAPTURE(done);
        CHECK(done.find("gpiochip0:3") != std::string::npos);  // the lid alone was requested, as an input
        CHECK(done.find("set ") == std::string::npos);
    }
}

TEST_CASE("each wiring mistake is found by its own sentence") {
    CHECK(mistakes().size() >= 20);
    std::vector<std::string> sentences;
    for (const Mistake& mistake : mistakes()) {
        CAPTURE(mistake.what);
        Station s;
        mistake.plant(s);
        const ctl::Here here = s.look();
        CHECK_MESSAGE(here.amiss.size() == 1, mistake.what << ":\n" << all(here));
        if (here.amiss.size() != 1) continue;
        for (const std::string& part : mistake.said)
            CHECK_MESSAGE(test::holds(here.amiss[0], part), mistake.what << ": " << here.amiss[0]);
        CHECK(std::find(sentences.begin(), sentences.end(), here.amiss[0]) == sentences.end());
        sentences.push_back(here.amiss[0]);
        for (const std::string& done : s.board.log) CHECK_MESSAGE(!test::holds(done, ":2 "), done);
    }
}

TEST_CASE("the drop-in is wanted where something is written alone, in any of its folders, by any name") {
    Station s;
    s.drop_ins = {s.tree.path("etc/dekeyd.service.d"), s.tree.path("run/dekeyd.service.d")};
    CHECK(all(s.look()) == "");  // nothing is written
    s.together();
    CHECK(s.look().amiss.size() == 1);
    for (const char* const line :
         {"ReadWritePaths=/sys/devices", "ReadWritePaths = /srv -/sys", "ReadWritePaths=/srv /sys/devices/"}) {
        CAPTURE(line);
        s.tree.write("run/dekeyd.service.d/my-own.conf", std::string("[Service]\n") + line + "\n");
        CHECK(all(s.look()) == "");
    }
    s.tree.write("run/dekeyd.service.d/my-own.conf", "[Service]\nReadWritePaths=/sys/devices/virtual\n");
    CHECK(s.look().amiss.size() == 1);
}

TEST_CASE("a drop-in that can't be read is left, and not said to be missing") {
    Station s;
    s.together();
    s.tree.write("folder", "");  // a file in a folder's place
    s.drop_ins = {s.tree.path("folder")};
    const ctl::Here here = s.look();
    CHECK(all(here) == "");
    REQUIRE(here.unseen.size() == 1);
    CHECK(test::holds(here.unseen[0], "thermometers.conf"));
}

TEST_CASE("what a running guard holds is left alone") {
    Station s;
    s.guard_runs = true;
    s.clock_s = 100.0;  // its own reader makes a round long
    for (const unsigned pad : {2U, 3U}) {
        s.board.chips[0].lines[pad].used = true;
        s.board.chips[0].lines[pad].consumer = drivers::gpio_consumer;
    }
    const ctl::Here here = s.look();
    CHECK(all(here) == "");
    REQUIRE(here.unseen.size() == 1);
    CHECK(test::holds(here.unseen[0], "Lid: dekeyd holds its pad"));
    CHECK(s.board.log.empty());
}
