// One conversion for all the thermometers of a 1-Wire bus, where the kernel offers it: `therm_bulk_read` of its master
// (Linux 5.10 and later, Documentation/w1/slaves/w1_therm.rst).
#pragma once

#include <atomic>
#include <memory>
#include <string>
#include <vector>

#include "plan/reading.hpp"
#include "plan/time.hpp"

namespace dekeyd::drivers {

/// Makes all sensors of a bus convert at once, before each is read. Used by one thread.
class Conversion {
public:
    virtual ~Conversion() = default;
    Conversion() = default;
    Conversion(const Conversion&) = delete;
    Conversion& operator=(const Conversion&) = delete;

    /// Blocks until the conversion is over, or can't be, or `leave` is set. With any fault no reading is of it. No
    /// allocation.
    virtual core::Fault convert(const std::atomic<bool>& leave) noexcept = 0;
};

/// The least and the longest time of a conversion. The kernel says that one is over also where its trigger found no
/// thermometer, or a signal cut its wait short; what the parts then hold is the value of the conversion before, with a
/// good checksum. One that took less than `least` was none.
struct ConversionTime {
    core::Duration least{};
    core::Duration longest{};
    core::Instant (*clock)() noexcept;
};

/// Where the conversion of these thermometers is asked for.
struct BulkRead {
    core::Fault fault = core::Fault::absent;  ///< wrong_device: they are on more than one master
    std::string path;                         ///< of the file, also where it isn't there; empty: no thermometer is
};
BulkRead find_bulk_read(const std::string& root, const std::vector<std::string>& ids);

/// `root` and `ids` as for make_w1_sensor. The master is found anew each time, by what the thermometers' links lead to;
/// one that isn't there is its own reading's fault. All must be on one master: a second would convert after the first.
std::unique_ptr<Conversion> make_w1_conversion(const std::string& root, const std::vector<std::string>& ids,
                                               const ConversionTime& time);

}  // namespace dekeyd::drivers
