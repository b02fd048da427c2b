// The station's own sheet: one page that explains this station to a person who has never seen it, to be printed.
#pragma once

#include <string>

#include "configuration/configuration.hpp"

namespace dekeyd::ctl::sheet {

/// What the configuration doesn't say of itself.
struct Made {
    std::string file;     ///< the configuration's name
    std::string date;     ///< UTC, as ISO 8601
    std::string version;  ///< of dekeyd
};

/// HTML and its drawings in one file, with no script and nothing from a network; well-formed XML too.
std::string station_sheet(const formats::Configuration& configuration, const Made& made);

}  // namespace dekeyd::ctl::sheet
