// The guard's side of a follow: one connection that is sent its stream, and asked for the journal's events.
#pragma once

#include <memory>
#include <string>
#include <vector>

#include "base/connection.hpp"
#include "dekeyctl/follow/order.hpp"
#include "dekeyctl/follow/presence.hpp"

namespace dekeyd::ctl {

class GuardSource {
public:
    using Time = std::chrono::steady_clock::time_point;

    /// Of `sockets` the first that this user may open. Both references must outlive it.
    GuardSource(std::vector<std::string> sockets, EventOrder& order, GuardPresence& presence)
        : sockets_{std::move(sockets)}, order_{order}, presence_{presence} {}

    /// Connects where there is no connection, takes what has come, and asks.
    void turn(Time now);
    [[nodiscard]] int descriptor() const noexcept { return connection_ ? connection_->descriptor() : -1; }
    /// Why there is no connection; empty: there is one.
    [[nodiscard]] const std::string& trouble() const noexcept { return trouble_; }
    [[nodiscard]] const std::string& socket() const noexcept { return socket_; }
    [[nodiscard]] const std::string& station() const noexcept { return station_; }
    [[nodiscard]] const std::string& station_name() const noexcept { return station_name_; }

private:
    void connect(Time now);
    void take(const std::string& line, Time now);

    std::vector<std::string> sockets_;
    EventOrder& order_;
    GuardPresence& presence_;
    std::unique_ptr<Connection> connection_;
    Time connect_at_{};
    std::string socket_, trouble_, station_, station_name_;
};

}  // namespace dekeyd::ctl
