// The operator's end of the control socket: one JSON object per line each way.
#pragma once

#include <chrono>
#include <optional>
#include <stdexcept>
#include <string>
#include <string_view>

namespace dekeyd {

/// The daemon can't be talked to: what, where, and how to mend it.
class Unreachable : public std::runtime_error {
public:
    using std::runtime_error::runtime_error;
};

class Connection {
public:
    /// Throws Unreachable.
    explicit Connection(const std::string& path);
    ~Connection();
    Connection(const Connection&) = delete;
    Connection& operator=(const Connection&) = delete;

    /// Sends one request; the newline is added. Throws Unreachable.
    void send(std::string_view request);

    /// The next whole line without its newline; nothing when `wait` passes first. Throws Unreachable when the daemon
    /// has closed, or sends a line of more than 4 MiB.
    std::optional<std::string> receive(std::chrono::milliseconds wait);

    /// For poll(); a line may be there already, so ask receive() with no wait first.
    [[nodiscard]] int descriptor() const noexcept { return descriptor_; }

private:
    std::string path_;
    int descriptor_ = -1;
    std::string received_;
};

/// One request, one answer, within a wait of `wait`. Throws Unreachable.
std::string ask(const std::string& path, std::string_view request,
                std::chrono::milliseconds wait = std::chrono::seconds{10});

}  // namespace dekeyd
