// The session with the broker: when to connect, how long to wait before the next try, and what is said of it.
#pragma once

#include <cstdint>
#include <functional>
#include <random>
#include <string>

#include "base/log.hpp"
#include "configuration/configuration.hpp"
#include "telemetry/mqtt_link.hpp"

namespace dekeyd {

class Session {
public:
    /// `will_topic`: where the broker says "false" in our stead. `ended` is called when a session, or the try to begin
    /// one, is given up: before the client is dropped.
    Session(const formats::Configuration& configuration, std::string will_topic, MqttLink& link,
            std::function<void()> ended);

    /// A connection stands: messages may be sent.
    [[nodiscard]] bool stands() const noexcept { return phase_ == Phase::announcing || phase_ == Phase::ready; }
    [[nodiscard]] bool is_waiting() const noexcept { return phase_ == Phase::waiting; }
    /// All has been announced in it.
    [[nodiscard]] bool is_ready() const noexcept { return phase_ == Phase::ready; }

    /// Connects when its time has come; replaces a client that gives no answer at all.
    void supervise(core::Instant now);
    /// The client says that the connection stands. False: not what was waited for.
    bool begin(core::Instant now);
    void be_ready(core::Instant now);
    /// All is said again, in the same session.
    void announce_anew(core::Instant now);
    void refused(const std::string& why, core::Instant now);
    void lose(const std::string& why, core::Instant now);
    void give_up(core::Instant now);

private:
    enum class Phase : std::uint8_t { waiting, connecting, announcing, ready };

    void enter(Phase phase, core::Instant now) noexcept;
    void connect(core::Instant now);
    void complain(const std::string& text, core::Instant now);

    const formats::Configuration& configuration_;
    const formats::MqttConfig& mqtt_;
    std::string will_topic_;
    MqttLink& link_;
    std::function<void()> ended_;
    std::minstd_rand random_;

    Phase phase_ = Phase::waiting;
    core::Instant phase_since_{};
    core::Instant began_{};  ///< the session
    core::Instant retry_at_{};
    core::Duration retry_after_;
    int losses_in_a_row_ = 0;
    std::string last_trouble_;
    RateLimit complaints_{std::chrono::seconds{60}};
};

}  // namespace dekeyd
