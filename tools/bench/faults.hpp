// What can be wrong between the world and the guard: sensors, chips and buses that lie or go away.
#pragma once

#include <array>
#include <cstdint>
#include <optional>
#include <string_view>

namespace bench {

enum class SensorFault : std::uint8_t {
    good,
    absent,    ///< its folder is gone
    empty,     ///< zero bytes, the kernel's answer to a failed read
    garbage,   ///< text that no kernel writes
    frozen,    ///< the last value for ever, with a good CRC
    power_on,  ///< 85.000 degC, as after a brown-out, with a good CRC
    crc,       ///< a bad CRC: Linux 6.1 gives zero bytes, in `w1_slave` too (older ones said NO there)
    jammed,    ///< opening the file hangs (a reader that takes care not to hang finds an error)
    rf_noise,  ///< RF on its cable: a bad CRC in two readings of five while there is RF, none otherwise
    shorted,   ///< the bus's data line held to ground: zeros, whose checksum is zero too
    swapped,   ///< gone, and another sensor with another id in its place
};

enum class ChipFault : std::uint8_t {
    good,
    absent,
    empty,
    garbage,
    stuck,       ///< the last values for ever
    railed,      ///< every channel at the end of its scale
    zero,        ///< every channel reads 0, as with the chip's input side unplugged
    ones,        ///< the data line held high while it answers: every bit is 1
    exchanged,   ///< the converter alone: forward and reflected are exchanged
    renumbered,  ///< the same chip under another number
    jammed,      ///< opening the files hangs (a reader that takes care not to hang finds an error)
};

struct Faults {
    SensorFault heatsink = SensorFault::good, air = SensorFault::good;
    ChipFault adc = ChipFault::good, psu = ChipFault::good, fan = ChipFault::good;
    std::array<bool, 4> unplugged{};  ///< by converter channel: the detector's cable is out, so it reads about 0 V
};

/// The command's word for a fault, and back.
std::optional<SensorFault> sensor_fault(std::string_view word) noexcept;
std::optional<ChipFault> chip_fault(std::string_view word) noexcept;
/// All words, for messages.
std::string_view sensor_fault_words() noexcept;
std::string_view chip_fault_words() noexcept;

}  // namespace bench
