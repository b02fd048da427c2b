#include "base/connection.hpp"

#include <fcntl.h>
#include <fmt/format.h>
#include <poll.h>
#include <sys/socket.h>
#include <unistd.h>

#include <array>
#include <cerrno>
#include <cstring>
#include <utility>

#include "base/unix_address.hpp"

namespace dekeyd {
namespace {

constexpr std::size_t longest_line = 4U << 20U;

std::string advice_for(int error) {
    if (error == ENOENT) return "is dekeyd running, and is --run its run directory?";
    if (error == ECONNREFUSED) return "nothing listens there: dekeyd has stopped; see 'systemctl status dekeyd'";
    if (error == EACCES || error == EPERM) return "your user may not open it: join the socket's group, or use sudo";
    return "see 'systemctl status dekeyd'";
}

}  // namespace

Connection::Connection(const std::string& path) : path_{path} {
    const auto address = UnixAddress::of(path);
    if (!address)
        throw Unreachable(fmt::format("{}: a socket's path has 1 to {} bytes; give a shorter --run or --socket", path,
                                      UnixAddress::longest));
    descriptor_ = ::socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0);
    if (descriptor_ < 0) throw Unreachable(fmt::format("{}: no socket: {}", path, std::strerror(errno)));
    if (::connect(descriptor_, address->get(), address->size()) != 0) {
        const int error = errno;
        ::close(std::exchange(descriptor_, -1));
        throw Unreachable(fmt::format("{}: {}; {}", path, std::strerror(error), advice_for(error)));
    }
}

Connection::~Connection() {
    if (descriptor_ >= 0) ::close(descriptor_);
}

void Connection::send(std::string_view request) {
    std::string rest = std::string{request} + '\n';
    while (!rest.empty()) {
        const ssize_t sent = ::send(descriptor_, rest.data(), rest.size(), MSG_NOSIGNAL);
        if (sent > 0) {
            rest.erase(0, static_cast<std::size_t>(sent));
        } else if (errno == EAGAIN) {
            pollfd room{.fd = descriptor_, .events = POLLOUT, .revents = 0};
            if (::poll(&room, 1, 5000) == 0)
                throw Unreachable(fmt::format("{}: dekeyd takes no request; is it hung?", path_));
        } else if (errno != EINTR) {
            throw Unreachable(fmt::format("{}: {}; {}", path_, std::strerror(errno), advice_for(errno)));
        }
    }
}

std::optional<std::string> Connection::receive(std::chrono::milliseconds wait) {
    const auto until = std::chrono::steady_clock::now() + wait;
    while (true) {
        if (const std::size_t end = received_.find('\n'); end != std::string::npos) {
            std::string line = received_.substr(0, end);
            received_.erase(0, end + 1);
            return line;
        }
        if (received_.size() > longest_line)
            throw Unreachable(fmt::format("{}: an endless line; this is no dekeyd of this version", path_));
        std::array<char, 65536> bytes{};
        const ssize_t count = ::recv(descriptor_, bytes.data(), bytes.size(), 0);
        if (count > 0) {
            received_.append(bytes.data(), static_cast<std::size_t>(count));
            continue;
        }
        if (count == 0) throw Unreachable(fmt::format("{}: dekeyd has closed the connection", path_));
        if (errno != EAGAIN && errno != EINTR)
            throw Unreachable(fmt::format("{}: {}; {}", path_, std::strerror(errno), advice_for(errno)));
        const auto left =
            std::chrono::ceil<std::chrono::milliseconds>(until - std::chrono::steady_clock::now()).count();
        if (left <= 0) return std::nullopt;
        pollfd news{.fd = descriptor_, .events = POLLIN, .revents = 0};
        ::poll(&news, 1, static_cast<int>(std::min<std::int64_t>(left, 60000)));
    }
}

std::string ask(const std::string& path, std::string_view request, std::chrono::milliseconds wait) {
    Connection connection{path};
    connection.send(request);
    if (auto line = connection.receive(wait)) return *std::move(line);
    throw Unreachable(fmt::format("{}: no answer in {} s; is dekeyd hung?", path,
                                  std::chrono::duration_cast<std::chrono::seconds>(wait).count()));
}

}  // namespace dekeyd
