// What `find` saw, as a starting configuration needs it: which device is for what.
#pragma once

#include <nlohmann/json_fwd.hpp>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

namespace dekeyd::ctl {

struct Input {
    std::string address, words;
};

struct Device {
    std::string bus, driver, name, label;
    std::vector<Input> inputs;
    std::string codes{};  ///< the converter's end codes; empty: not known
    [[nodiscard]] std::vector<Input> of(std::string_view kind) const;
};

struct Found {
    std::string host;
    std::vector<Input> wire;         ///< thermometers
    bool together = false;           ///< several, which may convert at once
    std::optional<Device> adc;       ///< the first converter with voltages
    std::optional<Device> supply;    ///< the first chip with a voltage and a current
    std::optional<Device> fan;       ///< the first chip with fans
    std::vector<std::string> chips;  ///< the processor's own GPIO chips
    std::vector<std::string> free_lines;
};

/// A comment, or a quoted value: nothing from outside may end its line.
std::string inert(const std::string& text);

/// `found`: as `find --json` prints it.
Found read_found(const nlohmann::json& found);

/// A converter's end codes by its kernel's name and the millivolts of one code; empty: not known.
std::string converter_codes(std::string_view name, double code_mv);

}  // namespace dekeyd::ctl
