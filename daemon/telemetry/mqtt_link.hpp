// One MQTT client at a time, and what came of what was asked of it. The client's own threads only put news into a
// bounded inbox here; everything else is called by the one thread that owns this.
#pragma once

#include <cstdint>
#include <memory>
#include <mutex>
#include <optional>
#include <string>
#include <vector>

#include "base/handover.hpp"
#include "configuration/configuration.hpp"
#include "telemetry/broker_login.hpp"
#include "telemetry/published/homie.hpp"

namespace dekeyd {

struct LinkNews {
    enum class Kind : std::uint8_t {
        connected,
        refused,  ///< the connection was not made; `text` says why
        lost,     ///< it was made and is gone
        done,     ///< the broker took what has `slot`
        failed,   ///< it didn't
        message,
        gone,  ///< disconnected as asked
    };
    Kind kind = Kind::message;
    std::uint32_t slot = 0;
    std::string text;
    homie::Incoming message;
};

class MqttLink {
public:
    /// `wake` is rung with each news.
    explicit MqttLink(Wake& wake);
    ~MqttLink();
    MqttLink(const MqttLink&) = delete;
    MqttLink& operator=(const MqttLink&) = delete;

    /// Of these topics only the newest message waits here: a flood of them takes no other's room. Before connect().
    void keep_newest_of(std::vector<std::string> topics);

    /// Makes a new client (the old one goes first) and begins to connect; `connected` or `refused` follows, or nothing
    /// at all, which the caller's own clock must notice. Empty, or why it couldn't even begin. May block while the old
    /// client's threads do (a slow resolver).
    std::string connect(const formats::MqttConfig& mqtt, const Login& login, const std::string& client_id,
                        const std::string& will_topic, const std::string& will);

    /// False: the client wouldn't take it, and the connection should be given up. `done` or `failed` follows otherwise.
    bool publish(const std::string& topic, std::string_view payload, int qos, bool retained,
                 std::uint32_t slot) noexcept;
    bool subscribe(const std::string& filter, int qos, std::uint32_t slot) noexcept;
    bool unsubscribe(const std::string& filter, std::uint32_t slot) noexcept;
    /// Asks for a clean end; `gone` follows.
    bool disconnect() noexcept;
    /// Destroys the client; no more news of it.
    void drop() noexcept;

    /// The next news, in order; empty when there is none.
    std::optional<LinkNews> next();
    /// Messages for which the inbox had no room.
    [[nodiscard]] std::uint64_t flooded() const noexcept;

private:
    class Inbox;
    class Client;
    std::shared_ptr<Inbox> inbox_;
    std::unique_ptr<Client> client_;
    std::vector<LinkNews> taken_;
    std::size_t next_ = 0;
    std::uint64_t generation_ = 0;
};

}  // namespace dekeyd
