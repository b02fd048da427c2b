// A sensor as a sampler sees it: one place to read, which can be found again.
#pragma once

#include <memory>
#include <string>

#include "plan/reading.hpp"
#include "plan/scan.hpp"
#include "plan/time.hpp"

namespace dekeyd::drivers {

/// Moves bytes from one kernel interface to a number. Used by one thread. May block as long as the kernel does.
class Sensor {
public:
    virtual ~Sensor() = default;
    Sensor() = default;
    Sensor(const Sensor&) = delete;
    Sensor& operator=(const Sensor&) = delete;

    /// One conversion: value in V, degC, A, rpm, W or 1/0, or the fault. `begun` is left to the caller.
    /// No allocation once open. A sensor that isn't there yet, or went, is a fault, never an exception.
    virtual core::Sample read() noexcept = 0;

    /// Looks again whether the open file is still the device it was opened for, and opens it anew where not.
    /// Called about once a second and after any fault.
    virtual void refresh() noexcept = 0;

    /// For messages: driver, path as found or as sought.
    [[nodiscard]] virtual std::string where() const = 0;
};

/// `root` is /sys, or a test's folder. Ids and names as in the configuration. None of these opens anything yet: the
/// first read() or refresh() does. All throw std::invalid_argument for an address that no device can have.
/// How a thermometer is read.
struct W1Reading {
    /// By `w1_slave` alone, whose frame tells the shorted bus and the bits with no second conversion: for a bus that
    /// converts together (drivers/w1_conversion.hpp).
    bool by_frame = false;
    /// By as many bits, 9 to 12, which its refresh() sets where they differ; by frame then too, since each frame says
    /// by how many it was made. 0: as the part is set.
    int bits = 0;
    /// The longest time that a part may take to convert by so many bits. With it a part is read by frame wherever the
    /// kernel says how long it waits, and a value that it didn't wait long enough for is an io_error.
    core::Duration (*conversion_time)(int bits) = nullptr;
};
std::unique_ptr<Sensor> make_w1_sensor(const std::string& root, const std::string& id, const W1Reading& how = {});

struct IioAddress {
    std::string device;   ///< the device's `name`
    std::string label;    ///< its `label`, or a part of its path, where two have the same name; may be empty
    std::string channel;  ///< voltage0, temp, current1, ...
    double lowest_code = 0.0, highest_code = 0.0;  ///< equal: no saturation rule
};
std::unique_ptr<Sensor> make_iio_sensor(const std::string& root, const IioAddress& address);

struct HwmonAddress {
    std::string chip;     ///< the chip's `name`
    std::string label;    ///< a part of its path, where two have the same name; may be empty
    std::string channel;  ///< in1, curr1, temp1, fan1, power1
};
std::unique_ptr<Sensor> make_hwmon_sensor(const std::string& root, const HwmonAddress& address);

/// How a contact is wired, so that a cut wire always reads as open.
enum class ContactWiring {
    to_ground,  ///< closed pulls the pad low; the internal pull-up is asked for
    to_supply,  ///< closed pulls the pad high; the internal pull-down is asked for
};

struct ContactAddress {
    std::string chip;  ///< gpiochip by label or name; empty: the line's name must be unique
    /// Name, or offset in digits. "file:<path>" is a file below the root with 1 (closed) or 0 (open), which stands in
    /// for the contact on the bench.
    std::string line;
    ContactWiring wiring = ContactWiring::to_ground;
    bool normally_closed = true;  ///< otherwise it closes when something is wrong, and a cut wire is not seen
};
/// Reads 1 in the contact's normal position, else 0. Sample::openings counts how often it left that position, by edges,
/// so that a short one between two reads isn't lost; with a file, only what a read saw.
std::unique_ptr<Sensor> make_contact_sensor(const std::string& root, const ContactAddress& address);

}  // namespace dekeyd::drivers
