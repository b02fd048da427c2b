// Everything that goes wrong for a while: what it does to the world, and what it explains.
#pragma once

#include <cstdint>
#include <string_view>
#include <vector>

#include "soak/contacts.hpp"
#include "soak/disk.hpp"
#include "soak/instruments.hpp"

namespace dekeyd::soak {

/// What the inhibit line's pad does.
enum class PadFault : std::uint8_t {
    good,
    refuses,        ///< the kernel takes no write
    stuck_permit,   ///< the level stays, whatever is written
    stuck_inhibit,  ///< the same, the harmless way
    late,           ///< one look after a change still sees the level before it
};

struct Trouble {
    const char* name;
    std::vector<const char*> begin, end;  ///< the bench's commands
    bool world = false;                   ///< of the amplifier, so that weather and drive leave it alone
    bool welds = false;                   ///< RF goes on when inhibited: no guard can stop it, but it must say so
    std::vector<const char*> lies{};      ///< the sensors whose word isn't true
    Lie lie = Lie::none;
    PadFault pad = PadFault::good;
    PadFault contactor = PadFault::good;
    DiskFault disk = DiskFault::good;
    ContactFault contact = ContactFault::good;
    bool from_start = false;  ///< begins with a restart
    bool sends = false;       ///< the exciter never pauses
    bool sleeps = false;      ///< begins with a sleep of the machine
    bool erratic = false;     ///< a thermometer that must be steady for long before it is believed again
};

/// Of the amplifier and its sensors: one at a time.
const std::vector<Trouble>& amplifier_troubles();
/// Of what the daemon holds on to, its line and its storage: one at a time, and beside the other.
const std::vector<Trouble>& computer_troubles();
const Trouble* find_trouble(std::string_view name);

}  // namespace dekeyd::soak
