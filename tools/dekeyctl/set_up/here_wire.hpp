// What the guard will have to write on a bus of thermometers. By the files' modes: nothing is written here.
#pragma once

#include <string>

#include "configuration/configuration.hpp"
#include "dekeyctl/set_up/here.hpp"

namespace dekeyd::ctl {

void look_at_writing(const std::string& root, const formats::BusConfig& bus, Here& here);

}  // namespace dekeyd::ctl
