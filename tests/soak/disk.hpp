// A storage that stalls, fills, turns read-only or loses the power, under the daemon's own code for its state.
#pragma once

#include <cstdint>
#include <string>

namespace dekeyd::soak {

enum class DiskFault : std::uint8_t {
    good,
    stalled,       ///< a write takes until the trouble is over
    full,          ///< new files have no room; room that a file has stays
    read_only,     ///< nothing is taken
    failing_sync,  ///< written, but never said to be durable
};

/// Stands between the program and the kernel: pwrite, fsync and fdatasync of this whole program go through it. Only
/// one disk at a time is asked, and only while `Use` lives; other files are the machine's own.
class Disk {
public:
    DiskFault fault = DiskFault::good;
    bool power_goes = false;  ///< within the next write: half of it is there, and nothing after

    class Use {
    public:
        explicit Use(Disk& disk) noexcept;
        ~Use();
        Use(const Use&) = delete;
        Use& operator=(const Use&) = delete;
    };
    /// 0, or errno; `bytes` is what may be written of it.
    int write(std::size_t& bytes) noexcept;
    int sync(bool of_room_it_has) noexcept;
};

}  // namespace dekeyd::soak
