#include "configuration/keys.hpp"

#include <algorithm>
#include <vector>

#include "configuration/parts.hpp"

namespace dekeyd::formats {
namespace {

/// The part before the first `at`, which is taken off `text`.
std::string_view next_part(std::string_view& text, char at) {
    const std::string_view part = text.substr(0, text.find(at));
    text.remove_prefix(std::min(part.size() + 1, text.size()));
    return part;
}

std::string_view last_part(std::string_view path) {
    const std::string_view last = path.substr(path.rfind('.') + 1);
    return last.substr(0, last.find('['));
}

}  // namespace

bool one_of(std::string_view list, char at, std::string_view word) {
    while (!list.empty())
        if (next_part(list, at) == word) return true;
    return false;
}

bool fits(std::string_view pattern, std::string_view path) {
    while (!pattern.empty() && !path.empty()) {
        const std::string_view wanted = next_part(pattern, '.'), part = next_part(path, '.');
        if (wanted != "*" && !one_of(wanted, '|', part.substr(0, part.find('[')))) return false;
    }
    return pattern.empty() && path.empty();
}

const KeyRow* find_key(std::span<const KeyRow> keys, std::string_view path, std::string_view of) {
    const KeyRow* first = nullptr;
    const std::string_view last = last_part(path);
    for (const KeyRow& row : keys) {
        // Most rows differ in the last part already.
        if (row.path.find(last) == std::string_view::npos && row.path.back() != '*') continue;
        if (!fits(row.path, path)) continue;
        if (row.of.empty() || one_of(row.of, ' ', of)) return &row;
        if (first == nullptr) first = &row;
    }
    return first;
}

std::span<const KeyRow> configuration_keys() {
    static const std::vector<KeyRow> rows = [] {
        std::vector<KeyRow> all;
        for (const auto part :
             {top_keys, device_keys, line_keys, bus_keys, stage_keys, sensor_keys, detector_keys, emission_keys,
              amplifier_keys, main_line_keys, antenna_keys, limit_keys, supervision_keys, commissioning_keys,
              proof_keys, recorder_keys, lockout_keys, mqtt_keys, signal_keys}) {
            const std::span<const KeyRow> some = part();
            all.insert(all.end(), some.begin(), some.end());
        }
        return all;
    }();
    return rows;
}

}  // namespace dekeyd::formats
