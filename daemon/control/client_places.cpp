#include "control/client_places.hpp"

#include <tuple>

namespace dekeyd {

bool is_idle(const ClientPlace& client, core::Instant now) noexcept {
    return !client.waits && !client.watches && !client.works && now - client.asked_at >= idle_life;
}

std::optional<std::size_t> client_to_close(std::span<const ClientPlace> clients) noexcept {
    if (clients.size() <= most_clients) return std::nullopt;
    const auto order = [&](std::size_t i) {
        const ClientPlace& one = clients[i];
        return std::tuple{one.waits, i + 1 == clients.size(), one.works, one.watches, one.asked_at};
    };
    std::size_t first = 0;
    for (std::size_t i = 1; i < clients.size(); ++i) {
        if (order(i) < order(first)) first = i;
    }
    const bool no_choice = clients[first].waits || first + 1 == clients.size();
    if (no_choice && clients.size() <= most_waiting_clients) return std::nullopt;
    return first;
}

}  // namespace dekeyd
