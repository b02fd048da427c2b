#include "drivers/attribute.hpp"

#include <fcntl.h>
#include <sys/stat.h>
#include <unistd.h>

#include <array>
#include <cerrno>

namespace dekeyd::drivers {

using core::Fault;

Attribute::~Attribute() {
    close();
}

void Attribute::close() noexcept {
    if (file_ >= 0) ::close(file_);
    file_ = -1;
}

Fault Attribute::follow(const char* path) noexcept {
    struct stat there {};
    if (::stat(path, &there) != 0) {
        const int error = errno;
        close();
        return core::fault_from_errno(error);
    }
    if (is_open() && there.st_dev == device_ && there.st_ino == inode_) return Fault::none;
    close();
    if (!S_ISREG(there.st_mode)) return Fault::io_error;
    // O_NONBLOCK: should a pipe take the file's place just now, the open must not wait for its other end.
    const int file = ::open(path, O_RDONLY | O_CLOEXEC | O_NONBLOCK | O_NOCTTY);
    if (file < 0) return core::fault_from_errno(errno);
    if (::fstat(file, &there) != 0 || !S_ISREG(there.st_mode)) {
        ::close(file);
        return Fault::io_error;
    }
    file_ = file;
    device_ = there.st_dev;
    inode_ = there.st_ino;
    return Fault::none;
}

Text Attribute::read(std::span<char> buffer) const noexcept {
    if (!is_open()) return {.bytes = {}, .fault = Fault::absent};
    ssize_t size = -1;
    for (int tries = 0; tries < 8 && size < 0; ++tries) {
        size = ::pread(file_, buffer.data(), buffer.size(), 0);
        if (size < 0 && errno != EINTR) return {.bytes = {}, .fault = core::fault_from_errno(errno)};
    }
    if (size < 0) return {.bytes = {}, .fault = Fault::io_error};
    if (size == 0) return {.bytes = {}, .fault = Fault::empty};
    if (static_cast<std::size_t>(size) == buffer.size()) return {.bytes = {}, .fault = Fault::garbled};
    return {.bytes = {buffer.data(), static_cast<std::size_t>(size)}, .fault = Fault::none};
}

core::Sensed Attribute::number() const noexcept {
    std::array<char, attribute_buffer> buffer;
    const Text text = read(buffer);
    if (text.fault != Fault::none) return {.value = 0.0, .fault = text.fault};
    return core::parse_number(text.bytes);
}

Content read_text(const std::string& path) {
    Attribute attribute;
    if (const Fault fault = attribute.follow(path.c_str()); fault != Fault::none) return {.text = {}, .fault = fault};
    std::array<char, attribute_buffer> buffer;
    Text text = attribute.read(buffer);
    if (text.bytes.ends_with('\n')) text.bytes.remove_suffix(1);
    return {.text = std::string(text.bytes), .fault = text.fault};
}

core::Sensed read_number(const std::string& path) noexcept {
    Attribute attribute;
    if (const Fault fault = attribute.follow(path.c_str()); fault != Fault::none) return {.value = 0.0, .fault = fault};
    return attribute.number();
}

Fault write_text(const char* path, std::string_view text) noexcept {
    struct stat there {};
    if (::stat(path, &there) != 0) return core::fault_from_errno(errno);
    if (!S_ISREG(there.st_mode)) return Fault::io_error;
    const int file = ::open(path, O_WRONLY | O_TRUNC | O_CLOEXEC | O_NONBLOCK | O_NOCTTY);
    if (file < 0) return core::fault_from_errno(errno);
    ssize_t size = -1;
    int error = EINTR;
    for (int tries = 0; tries < 8 && size < 0 && error == EINTR; ++tries) {
        size = ::write(file, text.data(), text.size());
        error = size < 0 ? errno : 0;
    }
    ::close(file);
    if (size < 0) return error == EINTR ? Fault::io_error : core::fault_from_errno(error);
    return static_cast<std::size_t>(size) == text.size() ? Fault::none : Fault::io_error;
}

}  // namespace dekeyd::drivers
