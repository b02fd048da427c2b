// Whether a payload is one that the Homie 5 convention allows for a datatype and a format.
#pragma once

#include <cmath>
#include <nlohmann/json.hpp>
#include <regex>
#include <sstream>
#include <string>
#include <vector>

namespace dekeyd::test {

inline std::vector<std::string> split(const std::string& text, char at) {
    std::vector<std::string> parts;
    std::string part;
    std::istringstream stream{text};
    while (std::getline(stream, part, at)) parts.push_back(part);
    if (!text.empty() && text.back() == at) parts.emplace_back();
    return parts;
}

inline bool is_float(const std::string& text) {
    static const std::regex shape{"-?[0-9]+(\\.[0-9]+)?([eE]-?[0-9]+)?"};
    return std::regex_match(text, shape) && std::isfinite(std::stod(text));
}

inline bool is_integer(const std::string& text) {
    static const std::regex shape{"-?[0-9]{1,19}"};
    if (!std::regex_match(text, shape)) return false;
    try {
        static_cast<void>(std::stoll(text));
        return true;
    } catch (const std::out_of_range&) {
        return false;
    }
}

/// [min]:[max][:step]
inline bool in_range(const std::string& format, double value) {
    if (format.empty()) return true;
    const auto parts = split(format, ':');
    if (parts.size() < 2) return false;
    if (!parts[0].empty() && value < std::stod(parts[0])) return false;
    return parts[1].empty() || value <= std::stod(parts[1]);
}

/// Whether a payload fits a datatype and a format, both as in a description.
inline bool fits(const std::string& datatype, const std::string& format, const std::string& payload) {
    if (datatype == "string") return true;
    if (payload.empty()) return false;
    if (datatype == "boolean") return payload == "true" || payload == "false";
    if (datatype == "float") return is_float(payload) && in_range(format, std::stod(payload));
    if (datatype == "integer") return is_integer(payload) && in_range(format, std::stod(payload));
    if (datatype == "enum") {
        for (const std::string& value : split(format, ',')) {
            if (value == payload) return true;
        }
        return false;
    }
    if (datatype == "json") {
        const nlohmann::json value = nlohmann::json::parse(payload, nullptr, false);
        return value.is_object() || value.is_array();
    }
    return false;
}

}  // namespace dekeyd::test
