// The service manager: ready, status and watchdog, by the protocol of sd_notify(3); and the rule by which the watchdog
// may be told that all is well. Of our own, since the library brings six others into the guard, and may block.
#pragma once

#include <cstdint>
#include <optional>
#include <span>
#include <string>
#include <string_view>

#include "plan/time.hpp"

namespace dekeyd {

/// Says nothing where no service manager listens.
class ServiceManager {
public:
    ServiceManager();
    ~ServiceManager();
    ServiceManager(const ServiceManager&) = delete;
    ServiceManager& operator=(const ServiceManager&) = delete;

    /// False: it takes nothing just now; to be said again.
    bool ready();
    /// One line, sent when it is another one than before.
    void status(const std::string& text);
    void stopping();
    /// While waiting before ready: gives a further 30 s before the start counts as failed.
    void wait_longer();
    /// The watchdog's interval, where it is on.
    [[nodiscard]] std::optional<core::Duration> watchdog() const noexcept { return watchdog_; }
    void pet();

private:
    bool tell(std::string_view text) noexcept;

    std::optional<core::Duration> watchdog_;
    std::string path_;
    int socket_ = -1;
    std::string last_status_;
};

/// When the watchdog may be petted: the guard has decided and written since, and the line permits only on scans that
/// are fresh. A jammed bus whose readings inhibit must not restart the daemon for ever.
class WatchdogRule {
public:
    /// `oldest`: per sampler, how old its last scan may be while the line permits; zero: doesn't matter.
    static constexpr core::Duration margin = std::chrono::seconds{1};

    bool may_pet(core::Instant now, std::uint64_t cycles, bool permits, std::span<const core::Instant> last_scans,
                 std::span<const core::Duration> oldest) noexcept;

private:
    std::uint64_t cycles_ = 0;
};

}  // namespace dekeyd
