#include "dekeyctl/follow/guard_source.hpp"

#include <fmt/format.h>
#include <unistd.h>

#include <utility>

#include "dekeyctl/status.hpp"

namespace dekeyd::ctl {
namespace {

using namespace std::chrono_literals;

constexpr auto connect_every = 500ms;
constexpr int lines_at_once = 200;

}  // namespace

void GuardSource::connect(Time now) {
    if (connection_ || now < connect_at_) return;
    connect_at_ = now + connect_every;
    socket_ = sockets_.back();
    for (const std::string& one : sockets_) {
        if (::access(one.c_str(), R_OK | W_OK) != 0) continue;
        socket_ = one;
        break;
    }
    connection_ = std::make_unique<Connection>(socket_);
    connection_->send(R"({"ask":"watch","hz":1})");
    trouble_.clear();
    order_.set_connected(true, now);
}

void GuardSource::turn(Time now) {
    try {
        connect(now);
        if (!connection_) return;
        for (int left = lines_at_once; left > 0; --left) {
            const auto line = connection_->receive(0ms);
            if (!line) break;
            take(*line, now);
        }
        if (const auto after = order_.ask(now))
            connection_->send(fmt::format(R"({{"ask":"events","after":{}}})", *after));
    } catch (const Unreachable& error) {
        if (std::exchange(connection_, nullptr)) order_.set_connected(false, now);
        trouble_ = error.what();
    }
}

void GuardSource::take(const std::string& line, Time now) {
    if (line.starts_with(R"({"events")")) {
        if (const formats::FeedLine feed = formats::parse_feed_line(line); feed.events)
            order_.take_batch(*feed.events, now);
        return presence_.hear(now);
    }
    if (line.starts_with(R"({"event")")) {
        if (auto event = live_event(line)) order_.take_live(*std::move(event), now);
        return presence_.hear(now);
    }
    const Message message = read_message(line);
    if (message.status) {
        station_ = message.status->id;
        station_name_ = message.status->name;
        presence_.hear(now);
    } else if (!message.error.empty()) {
        throw Unreachable(fmt::format("{}: {}", socket_, message.error));
    }
}

}  // namespace dekeyd::ctl
