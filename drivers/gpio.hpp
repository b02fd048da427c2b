// GPIO as the drivers need it: the same few words for both major versions of libgpiod, and for a test's fake.
#pragma once

#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "drivers/line.hpp"
#include "drivers/sensor.hpp"

namespace dekeyd::drivers {

struct GpioLineInfo {
    std::string name;      ///< empty: the line has none
    std::string consumer;  ///< who holds it, where somebody does and says so
    bool used = false;
};

struct GpioChip {
    std::string name;   ///< gpiochip0: changes between boots
    std::string label;  ///< the controller's own
    std::string bus;    ///< empty: a register of the processor itself; else "I2C", "SPI", "USB", or "an unknown bus"
    int error = 0;      ///< errno: it could not be looked at, and has no lines
    std::vector<GpioLineInfo> lines;  ///< by offset
};

enum class Bias { as_is, pull_up, pull_down };

/// Edges since the last count; `more` where some are left for the next.
struct GpioEdges {
    unsigned rising = 0, falling = 0;
    bool more = false;
};

/// One requested line, in levels of the pad (no active-low anywhere). Released by the destructor.
class GpioRequest {
public:
    virtual ~GpioRequest() = default;
    GpioRequest() = default;
    GpioRequest(const GpioRequest&) = delete;
    GpioRequest& operator=(const GpioRequest&) = delete;

    virtual bool set(bool high) noexcept = 0;
    [[nodiscard]] virtual std::optional<bool> level() noexcept = 0;
    /// Takes the edges that wait, never waiting for one itself. Nothing: the kernel failed. Inputs alone.
    virtual std::optional<GpioEdges> edges() noexcept = 0;
};

class Gpio {
public:
    virtual ~Gpio() = default;
    Gpio() = default;
    Gpio(const Gpio&) = delete;
    Gpio& operator=(const Gpio&) = delete;

    virtual std::vector<GpioChip> chips() = 0;
    /// `high` goes in with the request itself. Both throw std::system_error with the kernel's errno (EBUSY: held).
    virtual std::unique_ptr<GpioRequest> output(const std::string& chip, unsigned offset, bool high) = 0;
    virtual std::unique_ptr<GpioRequest> input_with_edges(const std::string& chip, unsigned offset, Bias bias) = 0;
};

/// The machine's own, through libgpiod. `sysfs_root` tells which bus a chip is on; `device_folder` has its device.
std::unique_ptr<Gpio> make_gpio(const std::string& sysfs_root, const std::string& device_folder = "/dev");

/// What holds the line in the kernel's list of consumers.
inline constexpr const char* gpio_consumer = "dekeyd";

/// Several lines or chips fit.
class AmbiguousLine : public LineError {
public:
    using LineError::LineError;
};

struct ChosenLine {
    const GpioChip* chip = nullptr;
    unsigned offset = 0;
};

/// Chip by label or name (empty: all), line by name or, where no line has that name, by offset. Exactly one must fit.
/// Throws LineError (AmbiguousLine where several fit): what was found, and how to mend it.
ChosenLine choose_line(const std::vector<GpioChip>& chips, const std::string& chip, const std::string& line);

/// Requests the inhibit line. Throws LineError, which is `busy` where another program holds it.
std::unique_ptr<Line> open_gpio_line(const LineAddress& address, Gpio& gpio);

/// Throws LineError.
std::unique_ptr<Line> open_file_line(const LineAddress& address);

/// A contact on a GPIO pad. On a bus of its own it may block, as a sensor may: every chip will do.
std::unique_ptr<Sensor> make_gpio_contact(const ContactAddress& address, std::unique_ptr<Gpio> gpio);

/// The bus that a chip hangs on, from its place among the kernel's devices; see GpioChip::bus.
std::string bus_of_chip(const std::string& sysfs_root, const std::string& chip);

/// Names of the gpiochip devices in /dev (or a test's folder); symbolic links to them, second names of the same chip,
/// are left out.
std::vector<std::string> gpio_devices(const std::string& folder);

}  // namespace dekeyd::drivers
