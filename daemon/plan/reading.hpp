// A reading: a value, whether it may be believed, and when it was taken.
#pragma once

#include <cstdint>
#include <string_view>

#include "plan/enum_words.hpp"
#include "plan/time.hpp"

namespace dekeyd::core {

/// Why a sample gave no value, or why a value may not be believed.
enum class Fault : std::uint8_t {
    none,
    never_read,      ///< nothing has been read yet
    not_in_scan,     ///< this scan did not cover the slot; neither proves nor disproves
    absent,          ///< the file or device is not there (ENOENT, ENODEV, ENXIO)
    empty,           ///< zero bytes: the kernel's answer to a failed 1-Wire read
    io_error,        ///< any other errno
    no_permission,   ///< EACCES, EPERM
    garbled,         ///< not the text that the kernel documents
    bad_crc,         ///< the kernel or we found the CRC wrong
    outside_part,    ///< a number that the part cannot give
    saturated_low,   ///< the converter is at its lower end
    saturated_high,  ///< the converter is at its upper end
    below_window,    ///< under the sensor's valid window (its live zero)
    above_window,    ///< over the sensor's valid window
    unconfirmed,     ///< a lone jump or a power-on value that waits for its second reading
    wrong_device,    ///< the identity of the open file no longer fits
    chip_fault,      ///< the chip's own *_fault attribute is set
    frozen,          ///< bit-identical for too long, where that is configured as a fault
    stale,           ///< the last good value is older than the allowed age
    implausible,     ///< contradicts another measurement
};

inline constexpr Words<Fault::implausible> fault_words{"none",
                                                       "never read",
                                                       "not in this scan",
                                                       "absent",
                                                       "empty answer",
                                                       "input/output error",
                                                       "no permission",
                                                       "garbled",
                                                       "bad CRC",
                                                       "outside what the part can give",
                                                       "converter at its lower end",
                                                       "converter at its upper end",
                                                       "below its valid window",
                                                       "above its valid window",
                                                       "waiting for a second reading",
                                                       "not the device it should be",
                                                       "the chip reports a fault",
                                                       "unchanged for too long",
                                                       "stale",
                                                       "implausible"};
/// Stable, lower-case, for logs, topics and captures ("bad CRC").
inline std::string_view text(Fault value) noexcept {
    return fault_words.of(value);
}

/// How far a value may be believed.
enum class Health : std::uint8_t {
    unknown,         ///< no value; inhibits where it is required
    good,            ///< the value stands
    at_floor,        ///< healthy, and at most `value`: below what the chain can measure ("no power")
    not_measurable,  ///< healthy inputs, but the quantity has no meaning now (VSWR without RF)
    above_range,     ///< at least `value`: the chain is at its upper end
};

inline constexpr Words<Health::above_range> health_words{"unknown", "good", "at the floor", "not measurable",
                                                         "above range"};
inline std::string_view text(Health value) noexcept {
    return health_words.of(value);
}

/// One quantity at one time. `value`, `low` and `high` are finite at any health, and are 0 when it is unknown.
/// [low, high] is the interval in which the true value lies (k = 2); high may be `unbounded`.
struct Reading {
    double value = 0.0;
    double low = 0.0;
    double high = 0.0;
    Health health = Health::unknown;
    Fault fault = Fault::never_read;
    Instant taken{};  ///< when the conversion began; only a successful reading moves it

    /// A value is there: good or at the floor.
    [[nodiscard]] constexpr bool measured() const noexcept {
        return health == Health::good || health == Health::at_floor;
    }
    template <class Archive, class Self>
    static void fields(Archive& a, Self& self) {
        a(self.value, self.low, self.high, self.health, self.fault, self.taken);
    }
};

/// Stands for "no upper bound" in Reading::high (a finite number, so that no infinity leaves core).
inline constexpr double unbounded = 1.0e9;

/// No level in dBm, and no ratio in dB, lies further from 0: what would is clamped to it.
inline constexpr double largest_dbm = 200.0;

/// What a channel or a derived quantity is given in.
enum class Unit : std::uint8_t {
    none,
    celsius,
    watt,
    dbm,
    decibel,
    volt,
    ampere,
    rpm,
    percent,
    kelvin_per_watt,
    kelvin_per_hour,
    second
};

inline constexpr Words<Unit::second> unit_symbols{"", "°C", "W", "dBm", "dB", "V", "A", "rpm", "%", "K/W", "K/h", "s"};
inline std::string_view symbol(Unit value) noexcept {
    return unit_symbols.of(value);
}

}  // namespace dekeyd::core
