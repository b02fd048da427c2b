// A stand-in for dekeyd's control socket: answers each line with lines of the test's choice.
#pragma once

#include <poll.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <unistd.h>

#include <atomic>
#include <cstdlib>
#include <cstring>
#include <filesystem>
#include <functional>
#include <map>
#include <stdexcept>
#include <string>
#include <thread>
#include <vector>

class FakeDaemon {
public:
    using Answer = std::function<std::vector<std::string>(const std::string& request)>;
    static constexpr const char* hang_up = "\x01hang up";

    explicit FakeDaemon(Answer answer) : answer_{std::move(answer)} {
        std::string folder = "/tmp/dekeyctl-test-XXXXXX";
        if (::mkdtemp(folder.data()) == nullptr) throw std::runtime_error{"mkdtemp"};
        folder_ = folder;
        path_ = folder + "/control";
        listener_ = ::socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0);
        sockaddr_un address{};
        address.sun_family = AF_UNIX;
        std::memcpy(address.sun_path, path_.data(), path_.size());
        const auto* any = static_cast<const sockaddr*>(static_cast<const void*>(&address));
        if (::bind(listener_, any, sizeof(address)) != 0 || ::listen(listener_, 8) != 0)
            throw std::runtime_error{"bind"};
        thread_ = std::thread{[this] { serve(); }};
    }
    ~FakeDaemon() {
        stop_ = true;
        thread_.join();
        ::close(listener_);
        if (!left_) std::filesystem::remove_all(folder_);
    }
    FakeDaemon(const FakeDaemon&) = delete;
    FakeDaemon& operator=(const FakeDaemon&) = delete;

    [[nodiscard]] const std::string& path() const { return path_; }
    /// The socket's file stays when this goes, as after a crash.
    void leave_socket() { left_ = true; }

private:
    void serve() {
        std::map<int, std::string> clients;
        while (!stop_) {
            std::vector<pollfd> watched{{.fd = listener_, .events = POLLIN, .revents = 0}};
            for (const auto& client : clients) watched.push_back({.fd = client.first, .events = POLLIN, .revents = 0});
            if (::poll(watched.data(), watched.size(), 20) <= 0) continue;
            for (std::size_t i = 1; i < watched.size(); ++i)
                if (watched[i].revents != 0 && !hear(watched[i].fd, clients[watched[i].fd])) {
                    ::close(watched[i].fd);
                    clients.erase(watched[i].fd);
                }
            if (watched[0].revents != 0) clients[::accept(listener_, nullptr, nullptr)];
        }
        for (const auto& client : clients) ::close(client.first);
    }
    bool hear(int client, std::string& heard) {
        char bytes[4096];
        const ssize_t count = ::recv(client, bytes, sizeof(bytes), 0);
        if (count <= 0) return false;
        heard.append(bytes, static_cast<std::size_t>(count));
        for (std::size_t end = heard.find('\n'); end != std::string::npos; end = heard.find('\n')) {
            const std::string request = heard.substr(0, end);
            heard.erase(0, end + 1);
            for (const std::string& line : answer_(request)) {
                if (line == hang_up) return false;
                std::string rest = line + '\n';
                while (!rest.empty()) {
                    const ssize_t sent = ::send(client, rest.data(), rest.size(), MSG_NOSIGNAL);
                    if (sent <= 0) return false;
                    rest.erase(0, static_cast<std::size_t>(sent));
                }
            }
        }
        return true;
    }

    Answer answer_;
    std::string folder_, path_;
    int listener_ = -1;
    std::atomic<bool> stop_{false};
    bool left_ = false;
    std::thread thread_;
};
