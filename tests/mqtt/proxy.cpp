#include "mqtt/proxy.hpp"

#include <arpa/inet.h>
#include <netinet/in.h>
#include <poll.h>
#include <sys/socket.h>
#include <unistd.h>

#include <stdexcept>

namespace dekeyd::test {
namespace {

sockaddr_in loopback(int port) {
    sockaddr_in address{};
    address.sin_family = AF_INET;
    address.sin_port = htons(static_cast<std::uint16_t>(port));
    address.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
    return address;
}

struct Pair {
    int client;
    int broker;
};

}  // namespace

Proxy::Proxy(int to_port) : to_port_{to_port} {
    listener_ = ::socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0);
    sockaddr_in address = loopback(0);
    socklen_t size = sizeof address;
    if (::bind(listener_, reinterpret_cast<const sockaddr*>(&address), size) != 0 || ::listen(listener_, 8) != 0 ||
        ::getsockname(listener_, reinterpret_cast<sockaddr*>(&address), &size) != 0) {
        throw std::runtime_error{"no port for the proxy"};
    }
    port_ = ntohs(address.sin_port);
    thread_ = std::thread{[this] { run(); }};
}

Proxy::~Proxy() {
    stop_.store(true);
    thread_.join();
    ::close(listener_);
}

void Proxy::cut() {
    cut_.store(true);
    while (cut_.load() && !stop_.load()) std::this_thread::yield();
}

bool Proxy::swallowed(std::string_view text) const {
    const std::lock_guard lock{mutex_};
    return swallowed_.find(text) != std::string::npos;
}

void Proxy::swallow(std::string_view bytes) {
    constexpr std::size_t most = 1U << 20U;
    const std::lock_guard lock{mutex_};
    swallowed_.append(bytes);
    if (swallowed_.size() > most) swallowed_.erase(0, swallowed_.size() - most);
}

void Proxy::run() {
    std::vector<Pair> pairs;
    const auto close_pair = [](const Pair& pair) {
        ::close(pair.client);
        ::close(pair.broker);
    };
    while (!stop_.load()) {
        if (cut_.load()) {
            for (const Pair& pair : pairs) close_pair(pair);
            pairs.clear();
            cut_.store(false);
        }
        std::vector<pollfd> watched{{listener_, POLLIN, 0}};
        for (const Pair& pair : pairs) {
            watched.push_back({pair.client, POLLIN, 0});
            watched.push_back({pair.broker, POLLIN, 0});
        }
        if (::poll(watched.data(), watched.size(), 5) <= 0) continue;
        if ((watched[0].revents & POLLIN) != 0) {
            const int client = ::accept4(listener_, nullptr, nullptr, SOCK_CLOEXEC);
            const int broker = ::socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0);
            const sockaddr_in address = loopback(to_port_);
            if (::connect(broker, reinterpret_cast<const sockaddr*>(&address), sizeof address) != 0) {
                ::close(client);
                ::close(broker);
            } else {
                pairs.push_back({client, broker});
            }
        }
        std::vector<Pair> kept;
        for (std::size_t i = 0; i < pairs.size(); ++i) {
            bool alive = true;
            if (1 + 2 * i + 1 < watched.size()) {
                const int ends[2] = {pairs[i].client, pairs[i].broker};
                for (int side = 0; side < 2 && alive; ++side) {
                    if (watched[1 + 2 * i + static_cast<std::size_t>(side)].revents == 0) continue;
                    char block[16384];
                    const ssize_t got = ::recv(ends[side], block, sizeof block, 0);
                    if (got <= 0)
                        alive = false;
                    else if (black_hole_.load())
                        swallow({block, side == 0 ? static_cast<std::size_t>(got) : 0});
                    else if (!(side == 1 && deaf_.load()))
                        alive = ::send(ends[1 - side], block, static_cast<std::size_t>(got), MSG_NOSIGNAL) == got;
                }
            }
            if (alive)
                kept.push_back(pairs[i]);
            else
                close_pair(pairs[i]);
        }
        pairs = std::move(kept);
    }
    for (const Pair& pair : pairs) close_pair(pair);
}

}  // namespace dekeyd::test
