// Whose place a client of the control socket gets when all are taken: silent ones must not keep a command out.
#pragma once

#include <optional>
#include <span>

#include "plan/time.hpp"

namespace dekeyd {

/// One client, as far as its place goes.
struct ClientPlace {
    core::Instant asked_at{};  ///< its last whole line, or when it came
    bool waits = false;        ///< for the answer to a command
    bool watches = false;
    bool works = false;  ///< a recording goes to it, or a proof test ends with it
};

inline constexpr std::size_t most_clients = 16;
inline constexpr std::size_t most_watchers = 12;
/// A client that asks nothing and stays for nothing is closed then.
inline constexpr core::Duration idle_life = std::chrono::minutes{10};
/// Clients beyond the places, where each of them waits for the answer to a command.
inline constexpr std::size_t most_waiting_clients = 2 * most_clients;

[[nodiscard]] bool is_idle(const ClientPlace& client, core::Instant now) noexcept;

/// The one to close, or none. The last of `clients` came last, and is closed only where there is no other choice. Of
/// those that only stay it is the one that asked longest ago, then of the watchers, then of those at work.
std::optional<std::size_t> client_to_close(std::span<const ClientPlace> clients) noexcept;

}  // namespace dekeyd
