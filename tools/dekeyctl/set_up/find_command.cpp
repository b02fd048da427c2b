#include <fcntl.h>
#include <fmt/format.h>
#include <unistd.h>

#include <cerrno>
#include <cstdio>
#include <cstring>
#include <filesystem>
#include <fstream>
#include <iostream>
#include <memory>
#include <nlohmann/json.hpp>
#include <string>
#include <string_view>
#include <vector>

#include "base/durable_file.hpp"
#include "configuration/blank_value.hpp"
#include "dekeyctl/commands.hpp"
#include "dekeyctl/set_up/ask_blanks.hpp"
#include "dekeyctl/set_up/found.hpp"
#include "dekeyctl/set_up/starting_configuration.hpp"
#include "dekeyctl/terminal.hpp"
#include "dekeyctl/text.hpp"
#include "drivers/find.hpp"
#include "drivers/gpio.hpp"
#include "drivers/sensor.hpp"
#include "plan/reading.hpp"

namespace dekeyd::ctl {
namespace {

using Json = nlohmann::json;

std::string_view unit_of(std::string_view channel) {
    if (channel.starts_with("voltage") || channel.starts_with("in")) return "V";
    if (channel.starts_with("curr")) return "A";
    if (channel.starts_with("temp")) return "°C";
    if (channel.starts_with("power")) return "W";
    return channel.starts_with("fan") ? "rpm" : "";
}

// One reading of one sensor, as it would be for the daemon.
Json read_now(drivers::Sensor& sensor, std::string_view unit) {
    sensor.refresh();
    const core::Sample sample = sensor.read();
    const bool good = sample.fault == core::Fault::none;
    return {{"value", good ? Json(sample.value) : Json(nullptr)}, {"unit", unit}, {"fault", core::text(sample.fault)}};
}

std::string reading_words(const Json& reading) {
    if (!reading["value"].is_number()) {
        const bool denied = reading["fault"] == core::text(core::Fault::no_permission);
        return "no reading: " + reading["fault"].get<std::string>() + (denied ? "; use sudo" : "");
    }
    const std::string unit = reading["unit"];
    // A detector's volts want their millivolts.
    if (unit == "V") return fmt::format("{:.3f} V", reading["value"].get<double>());
    return with_unit(reading["value"], unit);
}

// Prints as it goes: a thermometer takes most of a second.
class Finder {
public:
    explicit Finder(const FindOptions& options) : options_{options} {}

    int run() {
        thermometers();
        devices(
            "iio", "Converters (driver: iio)", drivers::find_iio(options_.sysfs),
            there("bus/i2c/devices/i2c-1")
                ? "none, though an I2C bus is on: load the converter's overlay (for an ADS1115: 'dtoverlay=ads1115' "
                  "and "
                  "its channels), and check its address"
                : "none: load the converter's overlay (for an ADS1115: 'dtoverlay=ads1115' and its channels), and turn "
                  "its bus on ('dtparam=i2c_arm=on')");
        devices("hwmon", "Monitor chips (driver: hwmon)", drivers::find_hwmon(options_.sysfs),
                "none: is the chip's driver loaded, and its overlay, if it needs one?");
        gpio();
        char host[256]{};
        if (::gethostname(host, sizeof host - 1) == 0) all_["host"] = host;
        if (options_.json) fmt::print("{}\n", all_.dump(2, ' ', false, Json::error_handler_t::replace));
        return options_.write.empty() && options_.ask.empty() ? exit_done : write();
    }

private:
    // Never over a file: it may hold an evening's work.
    int write() {
        const std::string& path = options_.write.empty() ? options_.ask : options_.write;
        const int file = ::open(path.c_str(), O_WRONLY | O_CREAT | O_EXCL | O_CLOEXEC, 0644);
        if (file < 0) {
            const int error = errno;
            const std::string trouble = error == EEXIST ? path + " is there already; expected the name of a new file"
                                                        : formats::file_trouble("can't create", path, error);
            fmt::print(stderr, "dekeyctl: {}\n", printable(trouble));
            return exit_refused;
        }
        ::close(file);
        const std::string trouble =
            formats::write_durably(path, starting_configuration(all_, options_.without), formats::Access::as_it_was);
        if (!trouble.empty()) {
            fmt::print(stderr, "dekeyctl: {}\n", printable(trouble));
            return exit_refused;
        }
        say("");
        if (!options_.ask.empty()) return ask_blanks(path, std::cin);
        say(
            fmt::format("{0}: a starting configuration. Write a value for each {1}: 'dekeyctl check {0}' lists them, "
                        "'dekeyctl find --ask {0}' asks for them one by one.",
                        path, formats::blank_value));
        return exit_done;
    }

    void say(const std::string& text) {
        if (options_.json) return;
        ctl::say(stdout, text);
    }

    void thermometers() {
        say("Thermometers (driver: w1)");
        Json list = Json::array();
        for (const drivers::FoundW1& found : drivers::find_w1(options_.sysfs)) {
            if (!found.temperature) {
                say(fmt::format("  {}  is no thermometer that the kernel can read", found.id));
                continue;
            }
            Json reading = read_now(*drivers::make_w1_sensor(options_.sysfs, found.id), "°C");
            say(fmt::format("  address: {}   {}", found.id, reading_words(reading)));
            reading["address"] = found.id;
            reading["together"] = found.together;
            list.push_back(std::move(reading));
        }
        if (list.empty()) {
            say(there("bus/w1/devices/w1_bus_master1")
                    ? "  none, though the bus is on: check the thermometer's three wires, and the pull-up resistor "
                      "from "
                      "data to 3.3 V"
                    : "  none: the 1-Wire bus is off. Load its overlay (Raspberry Pi: 'dtoverlay=w1-gpio' in "
                      "config.txt), "
                      "start again, and look for a pull-up resistor from data to 3.3 V");
        }
        all_["w1"] = std::move(list);
    }

    void devices(const char* driver, const char* title, const std::vector<drivers::FoundDevice>& found,
                 const char* missing) {
        say(title);
        Json list = Json::array();
        for (const drivers::FoundDevice& device : found) {
            const std::string label = !device.name_is_unique ? (device.label.empty() ? device.path : device.label) : "";
            say(fmt::format("  device: {}{}", device.name,
                            label.empty() ? "" : fmt::format("   label: {}   (several have this name)", label)));
            Json channels = Json::array();
            for (const std::string& channel : device.channels) {
                const auto sensor =
                    std::string_view{driver} == "iio"
                        ? drivers::make_iio_sensor(options_.sysfs, iio(device.name, label, channel))
                        : drivers::make_hwmon_sensor(options_.sysfs, hwmon(device.name, label, channel));
                Json reading = read_now(*sensor, unit_of(channel));
                say(fmt::format("    address: {:<12} {}", channel, reading_words(reading)));
                reading["address"] = channel;
                channels.push_back(std::move(reading));
            }
            list.push_back({{"device", device.name}, {"label", label}, {"path", device.path}, {"channels", channels}});
            if (const std::string codes = converter_codes(device.name, code_mv(device)); !codes.empty())
                list.back()["codes"] = codes;
        }
        if (list.empty()) say(fmt::format("  {}", missing));
        all_[driver] = std::move(list);
    }

    /// Of its first voltage; 0: not said.
    [[nodiscard]] double code_mv(const drivers::FoundDevice& device) const {
        for (const std::string& channel : device.channels) {
            for (const char* const name : {"/in_{}_scale", "/in_voltage_scale"}) {
                std::ifstream in{options_.sysfs + "/" + device.path + fmt::format(fmt::runtime(name), channel)};
                double mv = 0.0;
                if (channel.starts_with("voltage") && in >> mv) return mv;
            }
        }
        return 0.0;
    }

    [[nodiscard]] bool there(const char* path) const {
        std::error_code error;
        return std::filesystem::exists(options_.sysfs + "/" + path, error);
    }

    static drivers::IioAddress iio(const std::string& device, const std::string& label, const std::string& channel) {
        drivers::IioAddress address;
        address.device = device;
        address.label = label;
        address.channel = channel;
        return address;
    }
    static drivers::HwmonAddress hwmon(const std::string& chip, const std::string& label, const std::string& channel) {
        drivers::HwmonAddress address;
        address.chip = chip;
        address.label = label;
        address.channel = channel;
        return address;
    }

    void gpio() {
        say("GPIO chips (for the inhibit line, and contacts)");
        Json list = Json::array();
        for (const drivers::GpioChip& chip : drivers::find_gpio(options_.sysfs)) {
            Json lines = Json::array();
            if (chip.error != 0) {
                say(fmt::format("  {}: {}; join the group that owns /dev/{}, or use sudo", chip.name,
                                std::strerror(chip.error), chip.name));
            } else {
                say(fmt::format(
                    "  chip: {}   {} lines{}", chip.label, chip.lines.size(),
                    chip.bus.empty() ? "" : fmt::format("; behind {}: never for the inhibit line", chip.bus)));
            }
            for (std::size_t offset = 0; offset < chip.lines.size(); ++offset) {
                const drivers::GpioLineInfo& line = chip.lines[offset];
                lines.push_back({{"offset", offset}, {"name", line.name}, {"used", line.used}, {"by", line.consumer}});
                if (line.name.empty() && !line.used) continue;
                say(fmt::format("    line: {:<20} {}", line.name.empty() ? std::to_string(offset) : line.name,
                                !line.used              ? "free"
                                : line.consumer.empty() ? "held"
                                                        : "held by " + line.consumer));
            }
            list.push_back({{"chip", chip.label},
                            {"name", chip.name},
                            {"bus", chip.bus},
                            {"error", chip.error},
                            {"lines", std::move(lines)}});
        }
        if (list.empty()) say("  none: this machine has no GPIO, or its driver is not loaded");
        all_["gpio"] = std::move(list);
    }

    const FindOptions& options_;
    Json all_ = Json::object();
};

}  // namespace

int run_find(const FindOptions& options) {
    // A file that is there already was begun before: its questions go on.
    std::error_code error;
    if (!options.ask.empty() && std::filesystem::exists(options.ask, error)) return ask_blanks(options.ask, std::cin);
    return Finder{options}.run();
}

}  // namespace dekeyd::ctl
