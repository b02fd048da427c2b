// A mosquitto of the test's own on a free port of loopback.
#pragma once

#include <string>

#include "temporary_folder.hpp"

namespace dekeyd::test {

/// A port that was free a moment ago.
int free_port();

class Broker {
public:
    /// `settings`: lines for the configuration besides the listener; empty: anybody may do anything.
    explicit Broker(std::string settings = "allow_anonymous true\n");
    ~Broker();
    Broker(const Broker&) = delete;
    Broker& operator=(const Broker&) = delete;

    void start();
    /// By SIGTERM: the broker closes all sessions.
    void stop();
    /// Stops it in its tracks, and lets it go on: sockets stay open and nothing answers.
    void freeze();
    void thaw();

    [[nodiscard]] int port() const noexcept { return port_; }
    [[nodiscard]] const TemporaryFolder& folder() const noexcept { return folder_; }

private:
    TemporaryFolder folder_;
    std::string settings_;
    int port_;
    int pid_ = -1;
};

}  // namespace dekeyd::test
