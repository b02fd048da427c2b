// What a person does about each cause that can take the permit away.
#pragma once

#include <string>
#include <vector>

#include "configuration/configuration.hpp"

namespace dekeyd::ctl::sheet {

struct Remedy {
    std::string cause;  ///< as status names it
    std::string todo;
    std::string end;  ///< how the inhibit ends once the cause is gone
};

/// Of every limit, sensor and built-in cause that this configuration can meet, in the order of their sources.
std::vector<Remedy> remedies_of(const formats::Configuration& configuration);

}  // namespace dekeyd::ctl::sheet
