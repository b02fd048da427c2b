#include "control/client.hpp"

#include <poll.h>
#include <sys/socket.h>

#include <algorithm>
#include <array>
#include <cerrno>
#include <utility>

#include "messages/control.hpp"

namespace dekeyd {

ControlClient::ControlClient(int socket, core::Instant now) noexcept : descriptor{socket}, asked_at{now} {
    ucred who{};
    socklen_t size = sizeof who;
    // If the kernel doesn't know the user, the client counts as remote: that is the safe one.
    if (::getsockopt(socket, SOL_SOCKET, SO_PEERCRED, &who, &size) == 0) {
        user = who.uid;
    } else {
        user = static_cast<uid_t>(-1);
        remote = true;
    }
}

void ControlClient::receive(core::Instant now, const std::function<void(ControlClient&, std::string_view)>& take) {
    pollfd look{.fd = descriptor, .events = POLLIN, .revents = 0};
    if (drop || ::poll(&look, 1, 0) <= 0) return;
    gone = (look.revents & (POLLHUP | POLLERR)) != 0;
    std::array<char, formats::longest_request> bytes{};
    const ssize_t count = ::recv(descriptor, bytes.data(), bytes.size(), 0);
    if (count == 0 || (count < 0 && errno != EAGAIN && errno != EINTR)) drop = true;
    if (count <= 0) return;
    received_.append(bytes.data(), static_cast<std::size_t>(count));
    std::size_t start = 0;
    for (std::size_t end = 0; (end = received_.find('\n', start)) != std::string::npos; start = end + 1) {
        if (std::exchange(skips_line_, false)) continue;
        asked_at = now;
        take(*this, std::string_view{received_}.substr(start, end - start));
    }
    received_.erase(0, start);
    if (received_.size() > formats::longest_request) {
        if (!skips_line_) take(*this, received_);  // the answer says that it is too long
        skips_line_ = true;
        received_.clear();
    }
}

void ControlClient::send(std::string_view text) {
    if (drop) return;
    // Half a line would be garbage to its reader, so a client that doesn't read goes as a whole.
    if (unsent.size() + text.size() > most_unsent_bytes) {
        drop = true;
        return;
    }
    unsent += text;
    flush();
}

void ControlClient::flush() {
    if (unsent.empty()) return;
    const ssize_t sent = ::send(descriptor, unsent.data(), unsent.size(), MSG_NOSIGNAL | MSG_DONTWAIT);
    if (sent > 0) {
        unsent.erase(0, static_cast<std::size_t>(sent));
        has_read_ = true;
    }
    if (sent < 0 && errno != EAGAIN && errno != EINTR) drop = true;
}

bool ControlClient::has_not_read_for(core::Duration life, core::Instant now) {
    if (std::exchange(has_read_, false) || unsent.empty()) read_at_ = now;
    return now - read_at_ >= life;
}

}  // namespace dekeyd
