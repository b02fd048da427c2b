#include "dekeyctl/set_up/starting_configuration.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <nlohmann/json.hpp>
#include <stdexcept>
#include <string_view>
#include <vector>

#include "configuration/blank_value.hpp"
#include "configuration/configuration.hpp"
#include "configuration/keys.hpp"
#include "dekeyctl/set_up/found.hpp"
#include "dekeyctl/set_up/where.hpp"
#include "dekeyctl/text.hpp"

namespace dekeyd::ctl {
namespace {

using formats::blank_value;

/// "Rack 2.local" -> "rack-2-local"
std::string id_of(std::string_view host) {
    std::string id;
    for (char c : host) {
        if (c >= 'A' && c <= 'Z') c = static_cast<char>(c - 'A' + 'a');
        const bool fits = (c >= 'a' && c <= 'z') || (c >= '0' && c <= '9');
        if (fits) id += c;
        if (!fits && !id.empty() && id.back() != '-') id += '-';
    }
    constexpr std::size_t longest_id = 32;
    id.resize(std::min(id.size(), longest_id));
    while (!id.empty() && id.back() == '-') id.pop_back();
    return id.empty() || (id[0] >= '0' && id[0] <= '9') ? "amplifier" : id;
}

class Writer {
public:
    Writer(const nlohmann::json& found, const std::set<std::string>& without)
        : found_{read_found(found)}, without_{without} {
        volts_ = found_.adc ? found_.adc->of("voltage").size() : 0;
        if (found_.fan && !has("fan")) found_.fan.reset();
        if (found_.supply && !has("supply") && !has("current")) found_.supply.reset();
    }

    std::string write() {
        head();
        amplifier();
        line();
        buses();
        sensors();
        usual();
        limits();
        offers();
        return std::move(text_);
    }

private:
    [[nodiscard]] bool has(std::string_view part) const { return without_.count(std::string{part}) == 0; }
    [[nodiscard]] bool forward() const { return volts_ > 0; }
    [[nodiscard]] bool reflected() const { return volts_ > 1 && has("reflected"); }
    [[nodiscard]] bool drive() const { return volts_ > 2 && has("drive"); }
    [[nodiscard]] bool gain() const { return drive() && reflected(); }  ///< is worked out
    [[nodiscard]] bool voltage() const { return found_.supply && has("supply"); }
    [[nodiscard]] bool current() const { return found_.supply && has("current"); }

    template <typename... Values>
    void put(fmt::format_string<Values...> format, Values&&... values) {
        text_ += fmt::format(format, std::forward<Values>(values)...);
        text_ += '\n';
    }
    void heading(std::string_view title) {
        put("");
        put("# ---- {} {}", title, std::string(title.size() < 90 ? 90 - title.size() : 0, '-'));
    }

    static const formats::KeyRow& row_of(std::string_view path) {
        const formats::KeyRow* const row = formats::find_key(formats::configuration_keys(), path, "");
        if (row == nullptr) throw std::logic_error{fmt::format("the key '{}' has no row", path)};
        return *row;
    }

    static std::string indent_of(std::string_view path) {
        return std::string(2 * static_cast<std::size_t>(std::count(path.begin(), path.end(), '.')), ' ');
    }
    static std::string_view name_of(std::string_view path) { return path.substr(path.rfind('.') + 1); }

    /// A key as its row has it: the value given, else the usual one, else the blank; what the row says of it, and
    /// of a blank where its answer is found.
    void key(std::string_view path, std::string_view value = {}) {
        const formats::KeyRow& row = row_of(path);
        const std::string_view shown = !value.empty() ? value : !row.usual.empty() ? row.usual : blank_value;
        const std::string indent = indent_of(path);
        const std::string line = fmt::format("{}{}: {}", indent, name_of(path), shown);
        std::string says{row.says};
        if (shown == blank_value) {
            if (!row.usual_words.empty()) says += fmt::format(" Usual: {}.", row.usual_words);
            if (const auto where = where_found(path); !where.empty()) says += fmt::format(" See {}.", where);
        }
        constexpr std::size_t longest_line = 120;
        if (line.size() + 4 + says.size() <= longest_line) {
            put("{}  # {}", line, says);
            return;
        }
        for (const std::string& part : wrap(says, longest_line - indent.size() - 2)) put("{}# {}", indent, part);
        put("{}", line);
    }

    /// A key that wants something done first.
    void offer(std::string_view path, std::string_view value) {
        const std::string indent = indent_of(path);
        constexpr std::size_t widest = 112;
        for (const std::string& part : wrap(std::string{row_of(path).says}, widest)) put("{}# {}", indent, part);
        put("{}# {}: {}", indent, name_of(path), value);
    }

    void head() {
        put("# yaml-language-server: $schema=/usr/share/dekeyd/dekeyd.schema.json");
        put("# A starting configuration, written by 'dekeyctl find' for what it found here. {} stands where only you",
            blank_value);
        put("# know the value; dekeyd refuses the file, and so stays inhibited, until none is left. 'dekeyctl check");
        put("# FILE' lists them, 'dekeyctl find --ask FILE' asks for them one by one. Remove what you don't measure.");
        put("# All else is usual in the trade and has to be looked at: 'check' says each default that is not "
            "confirmed.");
        put("dekeyd: 1");
        put("device:");
        key("device.id", id_of(found_.host));
        key("device.name", fmt::format("Amplifier at {}", id_of(found_.host)));
        put("guard:");
        key("guard.period");
        key("guard.settling");
        put("  # Held until you trust it:");
        key("guard.after_start", "held");
    }

    void amplifier() {
        heading("1. The amplifier: its label and its data sheet");
        put("amplifier:");
        const auto blank = [&](std::string_view name) { key(fmt::format("amplifier.{}", name), blank_value); };
        blank("frequency");
        if (forward()) blank("rated_forward");
        if (drive()) blank("maximum_drive");
        if (gain()) blank("small_signal_gain");
        if (voltage()) blank("nominal_supply");
        if (current()) blank("maximum_current");
        if (reflected()) {
            put("  # 20 dB is a cautious value for a coupler with its cables; measure it on a good load.");
            key("amplifier.directivity", "20 dB");
        }
        if (forward()) {
            put("  # Measured when commissioning; this is usual for a relay.");
            key("amplifier.release_time");
        }
    }

    void line() {
        heading("2. The inhibit line: your wiring");
        put("# To the amplifier's enable by way of a contact. Take a free pin of the processor itself, and a resistor");
        put("# that pulls it to inhibit; measure that with the board unpowered.");
        if (found_.chips.size() != 1)
            for (const std::string& chip : found_.chips) put("# chip: \"{}\"", chip);
        std::string free;
        constexpr std::size_t most_lines = 40, widest = 100;
        for (std::size_t i = 0; i < std::min(found_.free_lines.size(), most_lines); ++i)
            free += (i == 0 ? "" : ", ") + found_.free_lines[i];
        if (!free.empty())
            for (const std::string& part : wrap("free: " + free, widest)) put("# {}", part);
        put("line:");
        key("line.driver", "gpio");
        if (found_.chips.size() == 1)
            put("  chip: \"{}\"", found_.chips.front());
        else
            put("  # chip: ...  # only where the line is given by its offset");
        key("line.line");
        key("line.permit");
    }

    void bus(const Device& device, std::string_view period) {
        put("  {}:", device.bus);
        put("    driver: {}", device.driver);
        put("    device: \"{}\"", inert(device.name));
        if (!device.label.empty()) put("    label: \"{}\"", inert(device.label));
        put("    period: {}", period);
    }

    void buses() {
        heading("3. Detectors, coupler and sensors: their data sheets, and your wiring");
        put("buses:");
        if (!found_.wire.empty()) {
            put("  wire:");
            put("    driver: w1");
            put("    period: 1 s");
            if (found_.together) offer("buses.wire.convert_together", "yes");
        }
        if (found_.adc) {
            bus(*found_.adc, "20 ms");
            key("buses.adc.codes", found_.adc->codes.empty() ? blank_value : std::string_view{found_.adc->codes});
        }
        const bool together = found_.supply && found_.fan && found_.supply->name == found_.fan->name &&
                              found_.supply->label == found_.fan->label;
        if (together) found_.fan->bus = found_.supply->bus;
        if (found_.supply) bus(*found_.supply, "100 ms");
        if (found_.fan && !together) bus(*found_.fan, "500 ms");
        if (found_.wire.empty() && !found_.adc && !found_.supply && !found_.fan) {
            put("  {}:  # nothing was found: see 'dekeyctl find' for what is missing", "wire");
            put("    driver: {}", blank_value);
        }
    }

    // The address where there is one input alone; otherwise only the operator can choose.
    void address(const std::vector<Input>& some, std::string_view how_to_tell) {
        if (some.size() == 1) {
            put("    address: {}  # {}", some.front().address, inert(some.front().words));
            return;
        }
        put("    # One of these ({}):", how_to_tell);
        for (const Input& one : some) put("    #   {:<16} {}", one.address, inert(one.words));
        put("    address: {}", blank_value);
    }
    void sensor(std::string_view id, std::string_view name, std::string_view bus) {
        put("  {}:", id);
        put("    name: {}", name);
        put("    bus: {}", bus);
    }
    void measures(std::string_view what, std::string_view role, std::string_view age) {
        put("    measures: {}", what);
        if (!role.empty()) put("    role: {}", role);
        put("    allowed_age: {}", age);
    }

    void detector(std::string_view role, std::string_view name) {
        const auto under = [&](std::string_view key_name) { return fmt::format("sensors.{}.{}", role, key_name); };
        sensor(role, name, found_.adc->bus);
        if (volts_ == 1 || role == "forward")
            address(found_.adc->of("voltage"), "with no RF, a log detector rests at one end of its window");
        else
            put("    address: {}  # one of those that 'forward' names", blank_value);
        measures("power", role, "100 ms");
        if (role == "forward") {
            put("    # A log detector. A diode instead: {{square_law: 500 mV/mW, floor: -35 dBm, ceiling: 0 dBm}}, by "
                "its "
                "own figures.");
            put("    detector: {{slope: {0}, intercept: {0}, floor: {0}, ceiling: {0}}}", blank_value);
            put("    # What a healthy detector gives, such as 0.35 V .. 2.2 V; a torn wire's 0 V lies outside. See its "
                "data");
            put("    # sheet, and a reading at rest.");
            put("    valid: {}", blank_value);
        } else {
            put("    # Another kind of detector: its own law here as forward has it, and 'valid'.");
            put("    detector: {{like: forward}}");
        }
        if (role == "reflected") {
            put("    # The same coupler and the same pads as forward's; else 'coupling' and 'pads' here.");
            return;
        }
        key(under("coupling"), blank_value);
        key(under("pads"), blank_value);
        if (role == "forward") key(under("calibration"), formats::calibration_pending);
    }

    void thermometer(std::string_view role, std::string_view name) {
        sensor(role, name, "wire");
        address(found_.wire, "warm it with a hand, and look with 'dekeyctl find'");
        measures("temperature", role,
                 fmt::format("{} s  # a round takes 0.8 s for each thermometer", 4 + found_.wire.size()));
        put("    valid: -40 degC .. 120 degC");
        if (role == "ambient") put("    required: no  # the amplifier may work without it");
    }

    void sensors() {
        put("");
        put("sensors:");
        if (found_.adc) detector("forward", "Forward power");
        if (reflected()) detector("reflected", "Reflected power");
        if (drive()) detector("drive", "Drive");
        if (voltage()) {
            sensor("supply", "Supply", found_.supply->bus);
            address(found_.supply->of("in"), "the supply's voltage");
            measures("voltage", "supply", "500 ms");
            put("    valid: 1 V .. 100 V  # 0 V is a torn wire, or a supply that is off");
        }
        if (current()) {
            sensor("current", "Supply current", found_.supply->bus);
            address(found_.supply->of("curr"), "the amplifier's current");
            measures("current", "current", "500 ms");
        }
        if (!found_.wire.empty()) thermometer("heatsink", "Heatsink");
        if (found_.wire.size() > 1 && has("ambient")) thermometer("ambient", "Air at the intake");
        if (!found_.fan) return;
        // Each with a limit of its own: of fans in series, one that stalls changes the others' speed.
        const auto fans = found_.fan->of("fan");
        for (std::size_t i = 0; i < fans.size(); ++i) {
            sensor(fan_id(i), i == 0 ? "Fan" : fmt::format("Fan {}", i + 1), found_.fan->bus);
            address({fans[i]}, "");
            measures("speed", "fan", "3 s");
        }
    }
    static std::string fan_id(std::size_t index) { return index == 0 ? "fan" : fmt::format("fan-{}", index + 1); }

    void usual() {
        heading("4. Usual values: look at each, change what is otherwise with you");
        if (forward()) {
            put("# From the amplifier to the antenna; remove what isn't there. With a circulator: 'circulator' before "
                "the");
            put("# coupler, and the line 'circulator:' at the end of this file.");
            put("main_line: [amplifier, low-pass-filter, coupler, feeder, antenna]");
            put("");
            put("# RF to calibrate with: 'dekeyctl commission' permits for so long, with forward at most a quarter of "
                "the");
            put("# rated power, reflected a fifth of that, and the heatsink 20 K below its own limit.");
            put("commissioning:");
            key("commissioning.time", "30 min");
            put("");
        }
        put("proof: {{every: 90 d}}");
    }

    void limit(std::string_view id, std::string_view rest, std::string_view says) {
        any_limit_ = true;
        if (!says.empty()) put("  # {}", says);
        put("  {}: {{watch: {}{}{}}}", id, id.starts_with("supply") ? "supply" : id, rest.empty() ? "" : ", ", rest);
    }

    void limits() {
        put("");
        put("# above or below: trips there; clear: gone there, on the safe side, or 'rf off' for what shows only with");
        put("# RF. What isn't written follows from the amplifier's figures: 'dekeyctl check' says it in watts.");
        put("limits:");
        const bool heatsink = !found_.wire.empty();
        if (heatsink)
            limit("heatsink",
                  "above: 70 degC, clear: 55 degC, warn: 65 degC, qualify: 1 s, hold_off: 30 s, rearm: automatic", "");
        if (reflected()) {
            limit("vswr", "above: 2.0, warn: 1.6, clear: rf off, qualify: 20 ms, hold_off: 1 s, rearm: latched",
                  "Counts from minimum_forward, 5 % of rated_forward.");
            limit("reflected", "clear: rf off, qualify: 10 ms, hold_off: 1 s, rearm: latched",
                  "At a tenth of rated_forward.");
        }
        if (forward())
            limit("forward", "clear: rf off, qualify: 10 ms, hold_off: 5 s, rearm: automatic", "At rated_forward.");
        if (drive()) limit("drive", "qualify: 5 ms, hold_off: 5 s, rearm: automatic", "At maximum_drive.");
        if (voltage()) {
            limit("supply-high", "above: +10 %, clear: +5 %, qualify: 20 ms, hold_off: 5 s, rearm: automatic",
                  "Of nominal_supply; at key-up a supply sags for some 300 ms.");
            limit("supply-low", "below: -15 %, clear: -7 %, qualify: 500 ms, hold_off: 5 s, rearm: automatic", "");
        }
        if (current())
            limit("current",
                  forward() ? "clear: rf off, qualify: 50 ms, hold_off: 1 s, rearm: latched"
                            : fmt::format("clear: {}, qualify: 50 ms, hold_off: 1 s, rearm: latched", blank_value),
                  "At maximum_current.");
        const std::size_t fans = found_.fan ? found_.fan->of("fan").size() : 0;
        for (std::size_t i = 0; i < fans; ++i)
            limit(fan_id(i),
                  fmt::format("below: 300 rpm, clear: 450 rpm, qualify: 10 s, hold_off: 30 s, rearm: automatic{}",
                              heatsink ? ",\n        while: {quantity: heatsink, above: 45 degC}" : ""),
                  "");
        if (gain())
            limit("compression", "above: 1 dB, clear: 0.7 dB, warn_only: yes",
                  "Warns alone: the neighbours see shoulders before the amplifier comes to harm.");
        if (!any_limit_) put("  {}: {{}}", "heatsink");
    }

    // Each a line that is made one of the file by taking the '# ' away.
    void offers() {
        heading("5. Take away the '# ' before what you have, and write its values");
        if (forward()) {
            put("# circulator: {{load_rating: {0}, load_time: {0}}}", blank_value);
            put("# antenna: {{dish: {{diameter: {}, efficiency: 55 %}}}}", blank_value);
            put("# antenna: {{gain: {}}}", blank_value);
            put("# exposure: {{rule: icnirp-2020}}");
        }
        if (reflected())
            put("# emission: {{kind: voice}}  # or morse, fm, carrier, digital-television; unsaid, an envelope "
                "that moves trips falsely");
        put("# mqtt: {{host: 127.0.0.1, port: 1883, remote_release: false, remote_reset: false}}");
        if (forward() && !drive())
            put("# A proof test needs drive measured, or a supply contactor whose contacts are seen: 'dekeyctl keys "
                "contactor'.");
        std::string accept;
        if (!reflected()) accept += "no-reflected-limit";
        if (!voltage() && !current()) accept += accept.empty() ? "no-supply-limit" : ", no-supply-limit";
        if (found_.wire.empty()) accept += accept.empty() ? "no-heat-limit" : ", no-heat-limit";
        if (accept.empty()) return;
        put("# Nothing here measures what these words name, so nothing de-keys for it. Where that is meant:");
        put("# accept: [{}]", accept);
    }

    Found found_;
    const std::set<std::string>& without_;
    std::size_t volts_ = 0;
    bool any_limit_ = false;
    std::string text_;
};

}  // namespace

std::string starting_configuration(const nlohmann::json& found, const std::set<std::string>& without) {
    return Writer{found, without}.write();
}

}  // namespace dekeyd::ctl
