#include "control/listening_socket.hpp"

#include <fmt/format.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <unistd.h>

#include <cerrno>
#include <cstring>

#include "base/unix_address.hpp"

namespace dekeyd {
namespace {

constexpr mode_t socket_mode = 0660;
constexpr core::Duration without_descriptor = std::chrono::milliseconds{100};

std::string trouble(const std::string& path, const char* doing, int error) {
    return fmt::format("{}: {}: {}; expected a run directory that this user may write (paths: run:)", path, doing,
                       std::strerror(error));
}

}  // namespace

ListeningSocket::~ListeningSocket() {
    if (descriptor_ < 0) return;
    ::close(descriptor_);
    ::unlink(path_.c_str());
}

std::string ListeningSocket::open(std::optional<gid_t> group) {
    const auto address = UnixAddress::of(path_);
    if (!address) {
        return fmt::format("{}: a socket's path has 1 to {} bytes; give a shorter run directory (paths: run:)", path_,
                           UnixAddress::longest);
    }
    const int listener = ::socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0);
    if (listener < 0) return trouble(path_, "no socket", errno);
    // The run folder is locked, so a socket there was left by a daemon that has ended.
    struct stat there {};
    if (::lstat(path_.c_str(), &there) == 0 && S_ISSOCK(there.st_mode)) ::unlink(path_.c_str());
    // Before, so that there is no time in which others may connect; after, in case the kernel took the umask's.
    ::fchmod(listener, socket_mode);
    const bool bound =
        ::bind(listener, address->get(), address->size()) == 0 && ::chmod(path_.c_str(), socket_mode) == 0;
    if (!bound || ::listen(listener, waiting_clients) != 0) {
        const int error = errno;
        ::close(listener);
        return trouble(path_, "can't listen", error);
    }
    descriptor_ = listener;
    if (group && ::chown(path_.c_str(), static_cast<uid_t>(-1), *group) != 0) {
        return fmt::format(
            "{}: can't be given to the group of {}: {}; expected this user in that group "
            "(SupplementaryGroups= in the unit)",
            path_, is_observers() ? "dekeyd-alarm" : "dekeyd-telemetry", std::strerror(errno));
    }
    return {};
}

// Without a descriptor those who wait go on waiting, and poll() would say so at once, again and again.
int ListeningSocket::accept(core::Instant now) {
    const int client = ::accept4(descriptor_, nullptr, nullptr, SOCK_CLOEXEC | SOCK_NONBLOCK);
    if (client < 0 && errno != EAGAIN && errno != EINTR) rest(without_descriptor, now);
    return client;
}

}  // namespace dekeyd
