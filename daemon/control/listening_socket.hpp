// Where clients come in: a socket's file in the run folder. Operators have one; the telemetry, and those who only look,
// have each one of their own, so that they can't fill theirs.
#pragma once

#include <sys/types.h>

#include <cstdint>
#include <optional>
#include <string>

#include "plan/time.hpp"

namespace dekeyd {

class ListeningSocket {
public:
    enum class For : std::uint8_t { operators, telemetry, observers };

    ListeningSocket(std::string path, For whom) : path_{std::move(path)}, whom_{whom} {}
    ~ListeningSocket();
    ListeningSocket(const ListeningSocket&) = delete;
    ListeningSocket& operator=(const ListeningSocket&) = delete;

    /// Listens, in place of a socket that a dead process left. `group`: which is to have it beside this user's. Empty,
    /// or what failed and how to mend it.
    std::string open(std::optional<gid_t> group);
    /// The next client that waits; negative: none, or no descriptor is left, and then it rests for a moment.
    int accept(core::Instant now);
    /// No look at it for so long.
    void rest(core::Duration length, core::Instant now) noexcept { open_again_ = now + length; }

    /// For poll(); negative while closed or at rest.
    [[nodiscard]] int descriptor(core::Instant now) const noexcept { return now >= open_again_ ? descriptor_ : -1; }
    [[nodiscard]] core::Instant open_again() const noexcept { return open_again_; }
    [[nodiscard]] bool is_remote() const noexcept { return whom_ != For::operators; }
    [[nodiscard]] bool is_observers() const noexcept { return whom_ == For::observers; }

    static constexpr int waiting_clients = 64;

private:
    std::string path_;
    For whom_;
    int descriptor_ = -1;
    core::Instant open_again_{};
};

}  // namespace dekeyd
