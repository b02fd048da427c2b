// One attribute file of the kernel: kept open, read anew from its start, and checked to be still the same file.
#pragma once

#include <sys/types.h>

#include <span>
#include <string>
#include <string_view>

#include "drivers/sensing.hpp"
#include "plan/reading.hpp"

namespace dekeyd::drivers {

/// What a read gave: the bytes (inside the caller's buffer), or why there are none.
struct Text {
    std::string_view bytes;
    core::Fault fault = core::Fault::none;
};

/// The longest text of a kernel attribute is a page; one that fills the buffer isn't an attribute.
inline constexpr std::size_t attribute_buffer = 4096;

/// Owns one open file. Never blocks on an odd one: a folder, a pipe or a device in an attribute's place is io_error.
class Attribute {
public:
    Attribute() = default;
    ~Attribute();
    Attribute(const Attribute&) = delete;
    Attribute& operator=(const Attribute&) = delete;

    /// Makes `path` the open file: keeps the open one where the path still leads to it, else opens anew.
    core::Fault follow(const char* path) noexcept;
    void close() noexcept;
    [[nodiscard]] bool is_open() const noexcept { return file_ >= 0; }

    /// The whole text. Zero bytes: empty. More than fits: garbled. Not open: absent.
    [[nodiscard]] Text read(std::span<char> buffer) const noexcept;
    /// The same, as a number.
    [[nodiscard]] core::Sensed number() const noexcept;

private:
    int file_ = -1;
    dev_t device_ = 0;
    ino_t inode_ = 0;
};

/// Opens, reads and closes: for what is looked at once a second. The final newline is taken off.
struct Content {
    std::string text;
    core::Fault fault = core::Fault::none;
};
Content read_text(const std::string& path);
core::Sensed read_number(const std::string& path) noexcept;

/// Opens, writes the whole text at once, as an attribute wants it, and closes. A folder, a pipe or a device is
/// io_error.
core::Fault write_text(const char* path, std::string_view text) noexcept;

}  // namespace dekeyd::drivers
