#include "dekeyctl/set_up/where.hpp"

#include <array>
#include <utility>

namespace dekeyd::ctl {

std::string_view where_found(std::string_view path) {
    using Row = std::pair<std::string_view, std::string_view>;
    constexpr std::array rows{
        Row{"frequency", "the amplifier's label"},
        Row{"rated_forward", "the amplifier's label"},
        Row{"maximum_drive", "the amplifier's data sheet"},
        Row{"small_signal_gain", "the amplifier's data sheet"},
        Row{"nominal_supply", "the amplifier's label"},
        Row{"maximum_current", "the amplifier's data sheet"},
        Row{"chip", "your wiring"},
        Row{"line", "your wiring"},
        Row{"permit", "your wiring"},
        Row{"address", "your wiring"},
        Row{"codes", "the converter's data sheet"},
        Row{"slope", "the detector's data sheet"},
        Row{"intercept", "the detector's data sheet"},
        Row{"square_law", "the detector's data sheet"},
        Row{"floor", "the detector's data sheet"},
        Row{"ceiling", "the detector's data sheet"},
        Row{"valid", "the detector's data sheet, and a reading at rest"},
        Row{"coupling", "the coupler's label"},
        Row{"pads", "the attenuators' labels"},
        Row{"load_rating", "the load's label"},
        Row{"load_time", "the load's data sheet"},
        Row{"diameter", "a tape measure"},
        Row{"gain", "the antenna's data sheet"},
    };
    const std::string_view last = path.substr(path.rfind('.') + 1);
    for (const auto& [key, where] : rows)
        if (key == last) return where;
    return {};
}

}  // namespace dekeyd::ctl
