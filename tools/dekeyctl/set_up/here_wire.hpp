// What the guard will have to write on a bus of thermometers. By the files' modes and the service's drop-ins: nothing
// is written here.
#pragma once

#include <sys/types.h>

#include <optional>
#include <string>
#include <vector>

#include "configuration/configuration.hpp"
#include "dekeyctl/set_up/here.hpp"

namespace dekeyd::ctl {

void look_at_writing(const std::string& root, const formats::BusConfig& bus, const Machine& machine, Here& here);

/// As Machine has them, of this machine; `file` is the configuration, by which its service is known.
std::optional<::gid_t> guards_group();
std::vector<std::string> drop_in_folders(const std::string& file);

}  // namespace dekeyd::ctl
