// Descriptors 0 to 2 are open, also if the caller closed them.
#pragma once

#include <fcntl.h>

#include <cerrno>

namespace dekeyd::drivers {

/// Before anything is opened: where the caller left one of them closed, the next file would get its number, and what is
/// written to standard error would go into that file.
inline void open_standard_descriptors() noexcept {
    for (int number = 0; number <= 2; ++number) {
        if (::fcntl(number, F_GETFD) >= 0 || errno != EBADF) continue;
        // The lowest free number is this one. A root without devices has its own root.
        if (::open("/dev/null", O_RDWR) < 0) static_cast<void>(::open("/", O_PATH));
    }
}

}  // namespace dekeyd::drivers
