// Where the answer to a blank is found.
#pragma once

#include <string_view>

namespace dekeyd::ctl {

/// "the amplifier's label", by the key's path; empty where there is nothing to say.
std::string_view where_found(std::string_view path);

}  // namespace dekeyd::ctl
