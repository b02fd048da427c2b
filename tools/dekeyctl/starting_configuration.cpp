#include "dekeyctl/starting_configuration.hpp"

#include <fmt/format.h>

#include <nlohmann/json.hpp>
#include <string_view>
#include <vector>

#include "dekeyctl/text.hpp"
#include "formats/placeholder.hpp"

namespace dekeyd::ctl {
namespace {

using Json = nlohmann::json;
using formats::placeholder;

struct Input {
    std::string address, words;
};

// A comment, or a quoted value: nothing from outside may end its line.
std::string inert(const std::string& text) {
    std::string safe = printable(text);
    for (char& c : safe)
        if (c == '"' || c == '\\' || c == '\'') c = '?';
    return safe;
}

std::vector<Input> inputs(const Json& list, std::string_view kind) {
    std::vector<Input> all;
    for (const Json& one : list) {
        const auto address = one.at("address").get<std::string>();
        if (!address.starts_with(kind)) continue;
        const std::string unit = one.at("unit");
        all.push_back({address, one.at("value").is_number()
                                    ? (unit == "V" ? fmt::format("{:.3f} V", one.at("value").get<double>())
                                                   : with_unit(one.at("value"), unit))
                                    : "no reading: " + one.at("fault").get<std::string>()});
    }
    return all;
}

class Writer {
public:
    explicit Writer(const Json& found) : found_{found} {}

    std::string write() {
        look();
        head();
        line();
        buses();
        sensors();
        amplifier();
        commissioning();
        limits();
        return std::move(text_);
    }

private:
    struct Device {
        std::string bus, driver, name, label;
        const Json* channels;
    };

    template <typename... Values>
    void put(fmt::format_string<Values...> format, Values&&... values) {
        text_ += fmt::format(format, std::forward<Values>(values)...);
        text_ += '\n';
    }

    void look() {
        wire_ = inputs(found_.at("w1"), "28-");
        for (const char* driver : {"iio", "hwmon"}) {
            int number = 0;
            for (const Json& device : found_.at(driver)) {
                if (device.at("channels").empty()) continue;
                const std::string base = std::string_view{driver} == "iio" ? "adc" : "chip";
                ++number;
                devices_.push_back({number == 1 ? base : base + std::to_string(number), driver, device.at("device"),
                                    device.at("label"), &device.at("channels")});
            }
        }
        for (const Device& device : devices_) {
            const bool converter = device.driver == "iio";
            if (converter && adc_ == nullptr && !inputs(*device.channels, "voltage").empty()) adc_ = &device;
            if (!converter && supply_ == nullptr && !inputs(*device.channels, "in").empty() &&
                !inputs(*device.channels, "curr").empty())
                supply_ = &device;
            if (!converter && fan_ == nullptr && !inputs(*device.channels, "fan").empty()) fan_ = &device;
        }
    }

    void head() {
        put("# A starting configuration, written by 'dekeyctl find' for what it found here.");
        put("# {} stands where only you know the value; dekeyd refuses the file, and so stays inhibited, until",
            placeholder);
        put("# none is left. 'dekeyctl check FILE' shows each, with what is expected. Remove what you don't measure.");
        put("# Ratings and limits come from the amplifier's and the parts' data sheets, calibration from a "
            "measurement.");
        put("dekeyd: 1");
        put("device:");
        put("  id: {}    # for topics: a-z, 0-9 and hyphens", placeholder);
        put("  name: {}  # for people", placeholder);
        put("guard:");
        put("  period: 20 ms");
        put("  settling: 5 s");
        put("  after_start: held  # until you trust it; 'permit' lets a clean restart permit by itself");
    }

    void line() {
        put("");
        put("# The inhibit line, to the amplifier's enable by way of a contact. Take a free pin of the processor "
            "itself,");
        put("# and a resistor that pulls it to inhibit; measure that with the board unpowered.");
        std::size_t shown = 0;
        for (const Json& chip : found_.at("gpio")) {
            if (!chip.at("bus").get<std::string>().empty() || chip.at("error") != 0) continue;
            put("# chip: \"{}\"", inert(chip.at("chip")));
            for (const Json& one : chip.at("lines")) {
                const std::string name = one.at("name");
                if (name.empty() || one.at("used").get<bool>() || ++shown > most_lines) continue;
                put("#   free line: \"{}\"", inert(name));
            }
        }
        put("line:");
        put("  driver: gpio");
        put("  chip: {}", placeholder);
        put("  line: {}", placeholder);
        put("  permit: {}  # the level that permits: high or low", placeholder);
    }

    void buses() {
        put("");
        put("buses:");
        if (!wire_.empty()) {
            put("  wire:");
            put("    driver: w1");
            put("    period: 1 s");
        }
        for (const Device& device : devices_) {
            if (&device != adc_ && &device != supply_ && &device != fan_) continue;
            put("  {}:", device.bus);
            put("    driver: {}", device.driver);
            put("    device: \"{}\"", inert(device.name));
            if (!device.label.empty()) put("    label: \"{}\"", inert(device.label));
            put("    period: {}", &device == adc_ ? "20 ms" : "100 ms");
            if (&device == adc_)
                put("    codes: {}  # the converter's end codes, such as -32768 .. 32767", placeholder);
        }
        if (wire_.empty() && adc_ == nullptr && supply_ == nullptr && fan_ == nullptr) {
            put("  {}:  # nothing was found: see 'dekeyctl find' for what is missing", "wire");
            put("    driver: {}", placeholder);
        }
    }

    void candidates(const std::vector<Input>& some) {
        for (const Input& one : some) put("    #   {:<16} {}", one.address, inert(one.words));
    }
    // The address where there is one input alone; otherwise a choice that nobody but the operator makes.
    void address(const std::vector<Input>& some, std::string_view how_to_tell) {
        if (some.size() == 1) {
            put("    address: {}  # {}", some.front().address, inert(some.front().words));
            return;
        }
        put("    # One of these ({}):", how_to_tell);
        candidates(some);
        put("    address: {}", placeholder);
    }

    void detector(std::string_view role, std::string_view name) {
        put("  {}:", role);
        put("    name: {}", name);
        put("    bus: {}", adc_->bus);
        address(inputs(*adc_->channels, "voltage"), "with no RF, a log detector rests at one end of its window");
        put("    measures: power");
        put("    role: {}", role);
        put("    allowed_age: 100 ms");
        put("    valid: {}  # what a healthy detector gives, 0.35 V .. 2.2 V, say: outside it is unplugged",
            placeholder);
        put("    detector: {{slope: {0}, intercept: {0}, floor: {0}, ceiling: {0}}}", placeholder);
        put("    coupling: {}", placeholder);
        put("    pads: {}", placeholder);
        put("    cable: {}", placeholder);
        put("    calibration: pending  # permits nothing but while commissioning, until 'dekeyctl calibrate'");
    }

    void sensors() {
        put("");
        put("sensors:");
        if (!wire_.empty()) {
            put("  heatsink:");
            put("    name: Heatsink");
            put("    bus: wire");
            address(wire_, "warm it with a hand, and look with 'dekeyctl find'");
            put("    measures: temperature");
            put("    role: heatsink");
            put("    allowed_age: {} s  # a round over the wire takes 0.8 s for each thermometer", 4 + wire_.size());
            put("    valid: -40 degC .. 120 degC");
        }
        if (adc_ != nullptr) {
            detector("forward", "Forward power");
            if (inputs(*adc_->channels, "voltage").size() > 1) detector("reflected", "Reflected power");
            if (inputs(*adc_->channels, "voltage").size() > 2) detector("drive", "Drive");
        }
        if (supply_ != nullptr) {
            put("  supply:");
            put("    name: Supply");
            put("    bus: {}", supply_->bus);
            address(inputs(*supply_->channels, "in"), "the supply's voltage");
            put("    measures: voltage");
            put("    role: supply");
            put("    allowed_age: 500 ms");
            put("    valid: {}  # what the chip can give, 1 V .. 60 V, say", placeholder);
            put("  current:");
            put("    name: Supply current");
            put("    bus: {}", supply_->bus);
            address(inputs(*supply_->channels, "curr"), "the amplifier's current");
            put("    measures: current");
            put("    role: current");
            put("    allowed_age: 500 ms");
            put("    valid: {}  # -1 A .. 40 A, say", placeholder);
        }
        if (fan_ != nullptr) {
            put("  fan:");
            put("    name: Fan");
            put("    bus: {}", fan_->bus);
            address(inputs(*fan_->channels, "fan"), "stop it, and look again");
            put("    measures: speed");
            put("    role: fan");
            put("    allowed_age: 3 s");
        }
    }

    void amplifier() {
        put("");
        put("amplifier:");
        if (adc_ != nullptr) {
            put("  rated_forward: {}", placeholder);
            put("  minimum_forward: {}  # below it VSWR is not measurable; about 5 % of rated", placeholder);
            put("  rf_present: {}       # above the measured feed-through; about 1 % of rated", placeholder);
            put("  release_time: {}     # relay and filter, measured: 100 ms, say", placeholder);
            if (inputs(*adc_->channels, "voltage").size() > 1)
                put("  directivity: {}      # of the whole installation, measured on a good load", placeholder);
            if (inputs(*adc_->channels, "voltage").size() > 2) {
                put("  maximum_drive: {}", placeholder);
                put("  drive_absent: {}     # below it the exciter is off", placeholder);
            }
        }
        put("  nominal_supply: {}", placeholder);
        put("  maximum_current: {}", placeholder);
    }

    void limit(std::string_view id, std::string_view side, std::string_view clear, std::string_view rest) {
        put("  {}: {{watch: {}, {}: {}, clear: {}, {}}}", id, id.starts_with("supply") ? "supply" : id, side,
            placeholder, clear, rest);
    }

    void commissioning() {
        if (adc_ == nullptr) return;
        put("");
        put("# RF to calibrate with: 'dekeyctl commission' permits for so long, under these provisional limits.");
        put("commissioning:");
        put("  time: 30 min");
        put("  forward: {}    # at most a quarter of the rated power", placeholder);
        if (inputs(*adc_->channels, "voltage").size() > 1) put("  reflected: {}", placeholder);
        if (!wire_.empty()) put("  heatsink: {}   # below its limit", placeholder);
    }

    void limits() {
        put("");
        put("# above or below: trips there; clear: gone there, on the safe side, or 'rf off' for what shows only with "
            "RF.");
        put("limits:");
        bool any = false;
        const auto add = [&](bool there, std::string_view id, std::string_view side, std::string_view clear,
                             std::string_view rest) {
            if (there) limit(id, side, clear, rest);
            any = any || there;
        };
        const std::size_t volts = adc_ == nullptr ? 0 : inputs(*adc_->channels, "voltage").size();
        const std::string gate = fmt::format(
            "qualify: 20 ms, hold_off: 1 s, rearm: latched, while: {{quantity: forward, above: {}}}", placeholder);
        const std::string fan_gate =
            wire_.empty() ? "" : fmt::format(", while: {{quantity: heatsink, above: {}}}", placeholder);
        add(!wire_.empty(), "heatsink", "above", placeholder, "qualify: 1 s, hold_off: 30 s, rearm: automatic");
        add(volts > 1, "vswr", "above", "rf off", gate);
        add(volts > 1, "reflected", "above", "rf off", "qualify: 10 ms, hold_off: 1 s, rearm: latched");
        add(volts > 0, "forward", "above", "rf off", "qualify: 10 ms, hold_off: 5 s, rearm: automatic");
        add(volts > 2, "drive", "above", placeholder, "qualify: 5 ms, hold_off: 5 s, rearm: automatic");
        add(supply_ != nullptr, "supply-high", "above", placeholder, "qualify: 20 ms, hold_off: 5 s, rearm: automatic");
        add(supply_ != nullptr, "supply-low", "below", placeholder, "qualify: 500 ms, hold_off: 5 s, rearm: automatic");
        add(supply_ != nullptr, "current", "above", volts > 0 ? "rf off" : placeholder,
            "qualify: 50 ms, hold_off: 1 s, rearm: latched");
        add(fan_ != nullptr, "fan", "below", placeholder, "qualify: 10 s, hold_off: 30 s, rearm: automatic" + fan_gate);
        if (!any) put("  {}: {{}}", "heatsink");
    }

    static constexpr std::size_t most_lines = 40;

    const Json& found_;
    std::vector<Input> wire_;
    std::vector<Device> devices_;
    const Device* adc_ = nullptr;
    const Device* supply_ = nullptr;
    const Device* fan_ = nullptr;
    std::string text_;
};

}  // namespace

std::string starting_configuration(const Json& found) {
    return Writer{found}.write();
}

}  // namespace dekeyd::ctl
