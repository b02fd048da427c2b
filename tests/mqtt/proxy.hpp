// Stands between a client and the broker, and is the network fault: swallows, holds, or cuts.
#pragma once

#include <atomic>
#include <mutex>
#include <string>
#include <string_view>
#include <thread>
#include <vector>

namespace dekeyd::test {

class Proxy {
public:
    explicit Proxy(int to_port);
    ~Proxy();
    Proxy(const Proxy&) = delete;
    Proxy& operator=(const Proxy&) = delete;

    [[nodiscard]] int port() const noexcept { return port_; }
    /// Swallows everything both ways and goes on accepting; connections stay up.
    void black_hole(bool on) noexcept { black_hole_.store(on); }
    /// Swallows only what the broker answers.
    void deafen(bool on) noexcept { deaf_.store(on); }
    /// Whether the black hole got a message to the broker with this text in it.
    [[nodiscard]] bool swallowed(std::string_view text) const;
    /// Ends all connections now, both sides, as a pulled cable would in the end.
    void cut();

private:
    void run();
    void swallow(std::string_view bytes);
    int to_port_;
    int port_ = 0;
    int listener_ = -1;
    std::atomic<bool> stop_{false};
    std::atomic<bool> black_hole_{false};
    std::atomic<bool> deaf_{false};
    std::atomic<bool> cut_{false};
    mutable std::mutex mutex_;
    std::string swallowed_;  ///< on its way to the broker; the last of it
    std::thread thread_;
};

}  // namespace dekeyd::test
