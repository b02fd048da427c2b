#include "base/service_manager.hpp"

#include <sys/socket.h>
#include <unistd.h>

#include <algorithm>
#include <charconv>
#include <cstddef>
#include <cstdlib>
#include <cstring>

#include "base/unix_address.hpp"

namespace dekeyd {
namespace {

std::uint64_t number_in(const char* variable) {
    const char* const text = std::getenv(variable);
    std::uint64_t value = 0;
    if (text != nullptr) std::from_chars(text, text + std::strlen(text), value);
    return value;
}

}  // namespace

ServiceManager::ServiceManager() {
    const std::uint64_t microseconds = number_in("WATCHDOG_USEC");
    const std::uint64_t whose = number_in("WATCHDOG_PID");
    if (microseconds > 0 && (whose == 0 || whose == static_cast<std::uint64_t>(::getpid()))) {
        watchdog_ = std::chrono::microseconds{microseconds};
    }
    const char* const path = std::getenv("NOTIFY_SOCKET");
    if (path != nullptr && (path[0] == '/' || path[0] == '@')) path_ = path;
}

ServiceManager::~ServiceManager() {
    if (socket_ >= 0) ::close(socket_);
}

bool ServiceManager::tell(std::string_view text) noexcept {
    const auto address = UnixAddress::of(path_);
    if (!address) return true;
    if (socket_ < 0) socket_ = ::socket(AF_UNIX, SOCK_DGRAM | SOCK_CLOEXEC, 0);
    return socket_ >= 0 && ::sendto(socket_, text.data(), text.size(), MSG_DONTWAIT | MSG_NOSIGNAL, address->get(),
                                    address->size()) >= 0;
}

bool ServiceManager::ready() {
    return tell("READY=1");
}

void ServiceManager::status(const std::string& text) {
    if (text == last_status_) return;
    last_status_ = text;
    std::string line = "STATUS=" + text;
    std::replace(line.begin(), line.end(), '\n', ' ');
    if (!tell(line)) last_status_.clear();  // said at the next turn
}

void ServiceManager::stopping() {
    tell("STOPPING=1");
}

void ServiceManager::wait_longer() {
    tell("EXTEND_TIMEOUT_USEC=30000000");
}

void ServiceManager::pet() {
    tell("WATCHDOG=1");
}

bool WatchdogRule::may_pet(core::Instant now, std::uint64_t cycles, bool permits,
                           std::span<const core::Instant> last_scans, std::span<const core::Duration> oldest) noexcept {
    if (cycles == cycles_) return false;
    const std::size_t count = std::min(last_scans.size(), oldest.size());
    for (std::size_t i = 0; permits && i < count; ++i) {
        if (oldest[i] > core::Duration::zero() && now - last_scans[i] > oldest[i] + margin) return false;
    }
    cycles_ = cycles;
    return true;
}

}  // namespace dekeyd
