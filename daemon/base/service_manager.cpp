#include "base/service_manager.hpp"

#include <systemd/sd-daemon.h>

#include <algorithm>

namespace dekeyd {

ServiceManager::ServiceManager() {
    std::uint64_t microseconds = 0;
    if (::sd_watchdog_enabled(0, &microseconds) > 0 && microseconds > 0) {
        watchdog_ = std::chrono::microseconds{microseconds};
    }
}

void ServiceManager::ready() {
    ::sd_notify(0, "READY=1");
}

void ServiceManager::status(const std::string& text) {
    if (text == last_status_) return;
    last_status_ = text;
    std::string line = "STATUS=" + text;
    std::replace(line.begin(), line.end(), '\n', ' ');
    ::sd_notify(0, line.c_str());
}

void ServiceManager::stopping() {
    ::sd_notify(0, "STOPPING=1");
}

void ServiceManager::wait_longer() {
    ::sd_notify(0, "EXTEND_TIMEOUT_USEC=30000000");
}

void ServiceManager::pet() {
    ::sd_notify(0, "WATCHDOG=1");
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
