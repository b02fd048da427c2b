// A subscriber that remembers all it hears, in order.
#pragma once

#include <mqtt/async_client.h>

#include <chrono>
#include <map>
#include <mutex>
#include <optional>
#include <string>
#include <vector>

namespace dekeyd::test {

struct Heard {
    std::chrono::steady_clock::time_point at;
    std::string topic;
    std::string payload;
    int qos = 0;
    bool retained = false;  ///< kept by the broker from before the subscription
};

class Listener {
public:
    /// Subscribes to `filter` at QoS 1 and returns once the broker has said yes.
    explicit Listener(int port, const std::string& filter = "#", const std::string& id = "listener",
                      const std::string& user = "", const std::string& password = "");
    ~Listener();
    Listener(const Listener&) = delete;
    Listener& operator=(const Listener&) = delete;

    [[nodiscard]] std::vector<Heard> all() const;
    /// All payloads of one topic, in order.
    [[nodiscard]] std::vector<std::string> of(const std::string& topic) const;
    /// The newest payload of a topic; empty when none came.
    [[nodiscard]] std::optional<std::string> last(const std::string& topic) const;
    [[nodiscard]] std::size_t count(const std::string& topic) const { return of(topic).size(); }
    void publish(const std::string& topic, const std::string& payload, bool retained = false, int qos = 1);

private:
    mqtt::async_client client_;
    mutable std::mutex mutex_;
    std::vector<Heard> heard_;
};

}  // namespace dekeyd::test
