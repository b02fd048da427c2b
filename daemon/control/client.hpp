// One client of the control socket: its lines, what it hasn't read yet, and how long it has been silent.
#pragma once

#include <sys/types.h>

#include <cstdint>
#include <functional>
#include <optional>
#include <string>
#include <string_view>

#include "base/allowance.hpp"
#include "plan/time.hpp"

namespace dekeyd {

struct ControlClient {
    static constexpr std::size_t most_unsent_bytes = 512UL * 1024;
    static constexpr double requests_per_second = 50.0;

    ControlClient(int socket, core::Instant now) noexcept;

    int descriptor;
    core::Instant asked_at;  ///< its last whole line, or when it came
    std::string unsent;
    bool drop = false;
    bool gone = false;             ///< it reads no answer any more
    core::Duration watch_every{};  ///< zero: doesn't watch
    core::Instant watch_next{};
    bool records = false;   ///< the recording goes to it
    bool proves = false;    ///< began a proof test, which ends when it goes
    uid_t user = 0;         ///< by the kernel's word, as of its connect()
    bool remote = false;    ///< what it asks for comes over the network
    bool observes = false;  ///< it came by the observers' listener: it may look, and order nothing
    bool follows = false;   ///< it is the telemetry, and the feed goes to it
    std::optional<std::uint64_t> events_after{};  ///< it waits for the journal's events behind this one
    core::Instant quiet_until{};  ///< nothing is taken from it before: what a remote one sends must not fill the time

    [[nodiscard]] bool watches() const noexcept { return watch_every > core::Duration::zero(); }
    /// Looks whether it has gone, and gives each whole line that has come to `take`; an overlong one is given cut.
    void receive(core::Instant now, const std::function<void(ControlClient&, std::string_view)>& take);
    /// One request more; false where there were too many just now.
    bool may_ask(core::Instant now) noexcept { return requests_.take_one(now); }
    void send(std::string_view text);
    void flush();
    /// Nothing of what waits for it has been read for so long. Asked at each turn.
    [[nodiscard]] bool has_not_read_for(core::Duration life, core::Instant now);

private:
    std::string received_;
    Allowance requests_{requests_per_second, requests_per_second};
    bool skips_line_ = false;  ///< the rest of an overlong line is thrown away
    bool has_read_ = true;     ///< since has_not_read_for() was asked
    core::Instant read_at_{};
};

}  // namespace dekeyd
