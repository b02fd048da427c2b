// What the configuration says of the station's parts, ports and wires, as the drawing, the tables and the labels show
// it.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include "configuration/configuration.hpp"

namespace dekeyd::ctl::sheet {

/// One wire between the board and the station. Its mark is in the drawing, in the table and on a label.
struct Wire {
    std::string mark;     ///< W3
    std::string carries;  ///< Forward power
    std::string from;     ///< where it begins at the station
    std::string board;    ///< the line, or the channel of a bus: "voltage0"
    std::string bus;      ///< empty: the board's own outputs
    std::string level;    ///< which level permits, what a good reading lies in
    std::optional<std::uint16_t> channel;
};
std::vector<Wire> wires_of(const formats::Configuration& configuration);

/// The marks of the wires of these channels, in their order.
std::vector<std::string> marks_of(const std::vector<Wire>& wires,
                                  const std::vector<std::optional<std::uint16_t>>& channels);

/// One part in the way of the signal.
struct Part {
    std::string name;
    std::vector<std::string> notes;
    std::string rating;              ///< the most that its port bears; empty: not stated
    std::vector<std::string> marks;  ///< of the wires that end here
    std::vector<std::string> below;  ///< of a part that hangs on it, such as a circulator's load: name, notes
};
/// From the exciter to the antenna; what isn't configured isn't there.
std::vector<Part> main_chain(const formats::Configuration& configuration, const std::vector<Wire>& wires);
/// From a coupler's port to the converter, a row for each detector.
std::vector<std::vector<Part>> detector_chains(const formats::Configuration& configuration,
                                               const std::vector<Wire>& wires);

/// A port with the most that may go in or come out.
struct Port {
    std::string name;   ///< DRIVE IN
    std::string most;   ///< never above 2.5 W
    std::string guard;  ///< what watches it
};
std::vector<Port> ports_of(const formats::Configuration& configuration);

}  // namespace dekeyd::ctl::sheet
