// The address of a socket in the file system, or with '@' before it of an abstract one.
#pragma once

#include <sys/socket.h>
#include <sys/un.h>

#include <algorithm>
#include <cstddef>
#include <optional>
#include <string_view>

namespace dekeyd {

class UnixAddress {
public:
    static constexpr std::size_t longest = sizeof(sockaddr_un::sun_path) - 1;

    /// Empty where the path is, or is longer than `longest` bytes.
    static std::optional<UnixAddress> of(std::string_view path) noexcept {
        if (path.empty() || path.size() > longest) return std::nullopt;
        UnixAddress made;
        std::copy(path.begin(), path.end(), made.address_.sun_path);
        const bool abstract = path[0] == '@';
        if (abstract) made.address_.sun_path[0] = '\0';
        // The end of an abstract name is the address's end, of a path its zero.
        made.size_ = static_cast<socklen_t>(offsetof(sockaddr_un, sun_path) + path.size() + (abstract ? 0 : 1));
        return made;
    }

    /// As the kernel's calls want it.
    [[nodiscard]] const sockaddr* get() const noexcept {
        return static_cast<const sockaddr*>(static_cast<const void*>(&address_));
    }
    [[nodiscard]] socklen_t size() const noexcept { return size_; }

private:
    UnixAddress() noexcept { address_.sun_family = AF_UNIX; }
    sockaddr_un address_{};
    socklen_t size_ = 0;
};

}  // namespace dekeyd
