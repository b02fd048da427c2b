// Whether a host is certainly this machine.
#pragma once

#include <string>

namespace dekeyd::formats {

/// "localhost", 127.0.0.0/8 or ::1 as addresses: never the start of a name ("127.example.net" is anybody's).
bool is_loopback(const std::string& host) noexcept;

}  // namespace dekeyd::formats
