#include "bench/control.hpp"

#include <fmt/format.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/un.h>
#include <unistd.h>

#include <cerrno>
#include <cstring>
#include <stdexcept>
#include <utility>

namespace bench {
namespace {

constexpr std::size_t longest_line = 4096;
constexpr std::size_t most_clients = 16;

}  // namespace

void LineBuffer::add(std::string_view bytes) {
    held_ += bytes;
}

bool LineBuffer::next(std::string& line) {
    const std::size_t end = held_.find('\n');
    if (dropping_) {
        if (end == std::string::npos) {
            held_.clear();
            return false;
        }
        held_.erase(0, end + 1);
        dropping_ = false;
        return next(line);
    }
    if (end == std::string::npos && held_.size() <= longest_line) return false;
    if (end == std::string::npos || end > longest_line) {
        line = held_.substr(0, longest_line);
        dropping_ = true;
        return true;
    }
    line = held_.substr(0, end);
    held_.erase(0, end + 1);
    return true;
}

Control::Control(std::string path) : path_(std::move(path)) {
    sockaddr_un address{};
    address.sun_family = AF_UNIX;
    if (path_.empty() || path_.size() >= sizeof address.sun_path) {
        throw std::runtime_error(
            fmt::format("control socket \"{}\": expected a path of 1 to {} bytes", path_, sizeof address.sun_path - 1));
    }
    std::memcpy(address.sun_path, path_.c_str(), path_.size() + 1);
    // The socket calls want the general type of address.
    const auto* const general = reinterpret_cast<const sockaddr*>(&address);
    listener_ = ::socket(AF_UNIX, SOCK_STREAM | SOCK_NONBLOCK | SOCK_CLOEXEC, 0);
    if (listener_ < 0) throw std::runtime_error(fmt::format("control socket: {}", std::strerror(errno)));
    if (::connect(listener_, general, sizeof address) == 0) {
        ::close(listener_);
        throw std::runtime_error(fmt::format("control socket {}: another bench answers there", path_));
    }
    // Left by one that was killed. A plain file refuses a connection too, and isn't ours to remove.
    struct stat left {};
    if (errno == ECONNREFUSED && ::lstat(path_.c_str(), &left) == 0 && S_ISSOCK(left.st_mode)) ::unlink(path_.c_str());
    if (::bind(listener_, general, sizeof address) != 0 || ::listen(listener_, 8) != 0) {
        const int error = errno;
        ::close(listener_);
        throw std::runtime_error(fmt::format("control socket {}: {}", path_, std::strerror(error)));
    }
}

Control::~Control() {
    for (const Client& client : clients_) ::close(client.descriptor);
    ::close(listener_);
    ::unlink(path_.c_str());
}

bool Control::serve(Client& client, const std::function<std::string(std::string_view)>& answer) {
    char bytes[4096];
    const ssize_t got = ::recv(client.descriptor, bytes, sizeof bytes, 0);
    if (got == 0 || (got < 0 && errno != EAGAIN && errno != EINTR)) return false;
    if (got < 0) return true;
    client.lines.add(std::string_view(bytes, static_cast<std::size_t>(got)));
    std::string line;
    while (client.lines.next(line)) {
        const std::string out = answer(line) + "\n";
        if (::send(client.descriptor, out.data(), out.size(), MSG_NOSIGNAL) != static_cast<ssize_t>(out.size())) {
            return false;
        }
    }
    return true;
}

void Control::poll(const std::function<std::string(std::string_view)>& answer) {
    for (int fresh = ::accept4(listener_, nullptr, nullptr, SOCK_NONBLOCK | SOCK_CLOEXEC); fresh >= 0;
         fresh = ::accept4(listener_, nullptr, nullptr, SOCK_NONBLOCK | SOCK_CLOEXEC)) {
        if (clients_.size() < most_clients) {
            clients_.push_back({fresh, {}});
        } else {
            ::close(fresh);
        }
    }
    std::erase_if(clients_, [&](Client& client) {
        if (serve(client, answer)) return false;
        ::close(client.descriptor);
        return true;
    });
}

}  // namespace bench
