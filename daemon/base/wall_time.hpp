// Wall time as a stamp on output. Nothing is ever decided by it.
#pragma once

#include <chrono>
#include <cstdint>
#include <string>

namespace dekeyd::formats {

/// UTC, and whether the machine's clock was set by a time source then (a board without a battery starts anywhere).
struct WallStamp {
    std::chrono::nanoseconds since_1970{};
    bool synchronised = false;
};

/// ISO 8601 in UTC to the millisecond: "2026-03-01T07:08:09.123Z". Years outside 0..9999 are clamped.
std::string to_iso(std::chrono::nanoseconds since_1970);

}  // namespace dekeyd::formats
