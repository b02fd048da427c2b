// The inhibit line: one output that permits or inhibits.
#pragma once

#include <memory>
#include <optional>
#include <stdexcept>
#include <string>

namespace dekeyd::drivers {

/// What, where, expected, and how to mend it.
class LineError : public std::runtime_error {
public:
    using std::runtime_error::runtime_error;
    bool busy = false;  ///< another program holds the line: try again later
};

/// Owned by one thread; released by the destructor, which drives inhibit first.
class Line {
public:
    virtual ~Line() = default;
    Line() = default;
    Line(const Line&) = delete;
    Line& operator=(const Line&) = delete;

    /// True when the kernel took the write. Doesn't block: chips behind a bus are refused at open.
    virtual bool write(bool permit) noexcept = 0;
    /// What the pad says: true = permit; nothing when it isn't known.
    [[nodiscard]] virtual std::optional<bool> read_back() noexcept = 0;
    [[nodiscard]] virtual std::string describe() const = 0;
};

struct LineAddress {
    enum class Driver { gpio, file } driver = Driver::gpio;
    std::string chip;  ///< label or name; empty: search all chips for the line's name
    std::string line;  ///< name, or offset in digits
    bool permit_high = true;
    std::string path;  ///< the file driver's file
};

/// Requests the line with the inhibit value inside the request, so that it never glitches to permit.
/// Throws LineError: absent, ambiguous, busy, behind I2C/SPI/USB.
/// The file driver writes "1\n" for permit and "0\n" for inhibit by one pwrite at 0, and protects nothing.
std::unique_ptr<Line> open_line(const LineAddress& address, const std::string& sysfs_root = "/sys");

/// The address as one line of text for the run-time file that the stop hook reads, and back.
std::string to_text(const LineAddress& address);
std::optional<LineAddress> from_text(const std::string& text);

}  // namespace dekeyd::drivers
