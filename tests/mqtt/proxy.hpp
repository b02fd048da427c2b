// Stands between a client and the broker, and is the network fault: swallows, holds, or cuts.
#pragma once

#include <atomic>
#include <mutex>
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
    /// Ends all connections now, both sides, as a pulled cable would in the end.
    void cut();

private:
    void run();
    int to_port_;
    int port_ = 0;
    int listener_ = -1;
    std::atomic<bool> stop_{false};
    std::atomic<bool> black_hole_{false};
    std::atomic<bool> deaf_{false};
    std::atomic<bool> cut_{false};
    std::thread thread_;
};

}  // namespace dekeyd::test
