// The control socket's feed to the telemetry, the other program, and its rights: it may read, and hold.
#pragma once

#include <sys/types.h>

#include <cstdint>
#include <deque>
#include <optional>
#include <string>
#include <string_view>

#include "base/allowance.hpp"
#include "base/handover.hpp"
#include "configuration/configuration.hpp"
#include "core/interlock.hpp"
#include "core/protection.hpp"
#include "recording/latest_history.hpp"
#include "recording/storage_state.hpp"
#include "store/captures/store.hpp"
#include "store/proof_record.hpp"

namespace dekeyd {

/// The destination of its commands, and the sources of the feed. All of it outlives the feed; an absent source is left
/// out.
struct TelemetryPorts {
    Ring<core::Command>* commands = nullptr;  ///< without it no command is passed on
    const StorageState* storage = nullptr;
    const HistoryState* history = nullptr;
    LatestHistory* latest = nullptr;
    struct User {
        uid_t id = 0;
        gid_t group = 0;
    };
    std::optional<User> user = std::nullopt;  ///< who the telemetry is; without one it has the daemon's own
};

/// The user that the telemetry runs as, where this machine knows it.
std::optional<TelemetryPorts::User> telemetry_user();
/// The group that may look and order nothing, where this machine has it: that of the alarms' user.
std::optional<gid_t> observers_group();

class TelemetryFeed {
public:
    static constexpr std::size_t most_events = 64;  ///< that wait for a feed: all of them are in the journal too
    /// Connections of the telemetry's user at a time. More than one, so that a new process isn't kept out by the last.
    static constexpr std::size_t most_connections = 4;
    static constexpr uid_t overflow_user = 65534;  ///< user_namespaces(7)
    static constexpr double command_burst = 10.0;  ///< and one a second from then on

    TelemetryFeed(const formats::Configuration& configuration, TelemetryPorts ports, std::string_view version);

    [[nodiscard]] Ring<core::Command>* commands() const noexcept { return ports_.commands; }
    [[nodiscard]] std::optional<gid_t> group() const noexcept {
        return ports_.user ? std::optional{ports_.user->group} : std::nullopt;
    }
    /// A client of this user is remote, at each socket, also if it claims to be local. So is what comes from a
    /// user that the kernel shows as none, in a user namespace: it may be this one.
    [[nodiscard]] bool is_remote(uid_t user) const noexcept {
        return user == overflow_user || (ports_.user && user == ports_.user->id);
    }

    static constexpr std::string_view never_remotely = "allowed only on this machine, never remotely";

    /// Why a remote command isn't passed on; empty: it is, and one of its allowance is used.
    std::string refusal(core::CommandKind kind, core::Instant now);

    // ---- to the one that follows ----

    /// A new one: all is new to it. The answer to its request.
    std::string hello();
    /// Goes out with the next feed.
    void add(const core::Event& event);
    [[nodiscard]] bool is_due(core::Instant now) const noexcept;
    [[nodiscard]] core::Instant due() const noexcept { return next_; }
    std::string line(const core::Snapshot& snapshot, core::Instant now);
    static std::string capture_line(const formats::CapturePart& part);

private:
    const formats::Configuration& configuration_;
    TelemetryPorts ports_;
    std::string version_, sum_;
    core::Duration period_;
    std::deque<core::Event> events_;
    core::Instant next_{};
    std::uint64_t told_durable_ = 0;
    std::uint64_t history_version_ = 0;
    LatestHistory::Kept kept_;
    // Hold has one of its own: no flood of resets may keep it out.
    Allowance holds_{command_burst, 1.0}, others_{command_burst, 1.0};
};

}  // namespace dekeyd
