// The station as a block drawing: the way of the signal, each detector's path, the board with its buses.
#pragma once

#include <string>
#include <vector>

#include "configuration/configuration.hpp"
#include "dekeyctl/sheet/station.hpp"

namespace dekeyd::ctl::sheet {

/// Three drawings, so that a page may end between them: the signal's way, the detectors' paths (empty without
/// detectors), the board.
std::string signal_drawing(const formats::Configuration& configuration, const std::vector<Wire>& wires);
std::string detector_drawing(const formats::Configuration& configuration, const std::vector<Wire>& wires);
std::string board_drawing(const formats::Configuration& configuration, const std::vector<Wire>& wires);

}  // namespace dekeyd::ctl::sheet
