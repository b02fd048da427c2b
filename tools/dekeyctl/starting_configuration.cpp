#include "dekeyctl/starting_configuration.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <nlohmann/json.hpp>
#include <stdexcept>
#include <string_view>
#include <vector>

#include "configuration/configuration.hpp"
#include "configuration/keys.hpp"
#include "configuration/placeholder.hpp"
#include "dekeyctl/text.hpp"

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

    /// A key as its row has it: the value given, else the usual one, else the placeholder; and what the row says of it.
    void key(std::string_view path, std::string_view value = {}) {
        const formats::KeyRow* const row = formats::find_key(formats::configuration_keys(), path, "");
        if (row == nullptr) throw std::logic_error{fmt::format("the key '{}' has no row", path)};
        const std::string_view shown = !value.empty() ? value : !row->usual.empty() ? row->usual : placeholder;
        const auto depth = static_cast<std::size_t>(std::count(path.begin(), path.end(), '.'));
        const std::string indent(2 * depth, ' ');
        const std::string line = fmt::format("{}{}: {}", indent, path.substr(path.rfind('.') + 1), shown);
        std::string says{row->says};
        if (shown == placeholder && !row->usual_words.empty()) says += fmt::format(" Usual: {}.", row->usual_words);
        constexpr std::size_t longest_line = 120;
        if (line.size() + 4 + says.size() <= longest_line) {
            put("{}  # {}", line, says);
            return;
        }
        for (const std::string& part : wrap(says, longest_line - indent.size() - 2)) put("{}# {}", indent, part);
        put("{}", line);
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
        put("# yaml-language-server: $schema=/usr/share/dekeyd/dekeyd.schema.json");
        put("# A starting configuration, written by 'dekeyctl find' for what it found here.");
        put("# {} stands where only you know the value; dekeyd refuses the file, and so stays inhibited, until",
            placeholder);
        put("# none is left. 'dekeyctl check FILE' shows each, with what is expected. Remove what you don't measure.");
        put("# Ratings and limits come from the amplifier's and the parts' data sheets, calibration from a "
            "measurement.");
        put("dekeyd: 1");
        put("device:");
        key("device.id");
        key("device.name", placeholder);
        put("guard:");
        key("guard.period");
        key("guard.settling");
        put("  # Held until you trust it:");
        key("guard.after_start", "held");
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
        key("line.driver", "gpio");
        key("line.chip", placeholder);
        key("line.line");
        key("line.permit");
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
            if (&device == adc_) key(fmt::format("buses.{}.codes", device.bus), placeholder);
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
        const auto under = [&](std::string_view key_name) { return fmt::format("sensors.{}.{}", role, key_name); };
        put("  {}:", role);
        put("    name: {}", name);
        put("    bus: {}", adc_->bus);
        address(inputs(*adc_->channels, "voltage"), "with no RF, a log detector rests at one end of its window");
        put("    measures: power");
        put("    role: {}", role);
        put("    allowed_age: 100 ms");
        put("    # What a healthy detector gives, 0.35 V .. 2.2 V, say:");
        key(under("valid"), placeholder);
        put("    detector: {{slope: {0}, intercept: {0}, floor: {0}, ceiling: {0}}}", placeholder);
        for (const std::string_view name_of_one : {"coupling", "pads", "cable"}) key(under(name_of_one), placeholder);
        key(under("calibration"), formats::calibration_pending);
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

    void amplifier_key(std::string_view name) { key(fmt::format("amplifier.{}", name), placeholder); }
    static std::string_view row_usual(std::string_view path) {
        return formats::find_key(formats::configuration_keys(), path, "")->usual;
    }

    void amplifier() {
        put("");
        put("amplifier:");
        if (adc_ != nullptr) {
            for (const std::string_view name : {"rated_forward", "minimum_forward", "rf_present"}) amplifier_key(name);
            put("  # Measured: {} is usual.", row_usual("amplifier.release_time"));
            amplifier_key("release_time");
            if (inputs(*adc_->channels, "voltage").size() > 1) amplifier_key("directivity");
            if (inputs(*adc_->channels, "voltage").size() > 2) {
                amplifier_key("maximum_drive");
                amplifier_key("drive_absent");
            }
        }
        amplifier_key("nominal_supply");
        amplifier_key("maximum_current");
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
        key("commissioning.time", "30 min");
        key("commissioning.forward");
        if (inputs(*adc_->channels, "voltage").size() > 1) key("commissioning.reflected");
        if (!wire_.empty()) key("commissioning.heatsink");
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
