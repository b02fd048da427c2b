// Messages on their way to the broker: how many at most, what each is for, and how long the broker has owed an answer.
// A message that finds no room is not kept here: its sender sends the newest value later.
#pragma once

#include <array>
#include <cstdint>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "plan/time.hpp"
#include "telemetry/mqtt_link.hpp"

namespace dekeyd {

enum class Purpose : std::uint8_t {
    none,
    value,
    alert,
    event,
    subscription,
    sweep,
    discovery,
    past,
    received,
    goodbye
};

class Outbox {
public:
    static constexpr std::size_t slots = 32;
    static constexpr std::size_t spare_slots = 12;  ///< that measured values keep free for alerts, events, the permit
    static constexpr std::uint32_t no_slot = 0xffff;

    explicit Outbox(MqttLink& link) : link_{link} {}

    struct Message {
        const std::string& topic;
        std::string_view payload;
        Purpose purpose = Purpose::value;
        std::size_t keep_free = 0;  ///< slots that must be left for others
        int qos = 1;
        bool retained = true;
    };
    /// False: no room, or the client took it not, see refused().
    bool send(const Message& message, core::Instant now);
    bool subscribe(const std::string& filter, int qos, Purpose purpose, core::Instant now);
    /// The two last words have slots of their own: a full outbox must not keep them back, nor may the answers to what
    /// is on its way be taken for theirs.
    bool say_goodbye(const std::string& permit_topic, const std::string& state_topic, core::Instant now);
    [[nodiscard]] bool goodbye_taken() const noexcept;

    /// The broker has answered for this slot; what was in it. None: of an earlier session.
    Purpose answered(std::uint32_t slot, core::Instant now);
    /// The client took no message since the last call: the session should end.
    bool refused() noexcept { return std::exchange(refused_, false); }
    /// The broker has owed an answer for so long that it counts as gone.
    [[nodiscard]] bool broker_is_silent(core::Instant now) const noexcept;
    /// Messages from the broker bear no time. But values go out each second, and an answer that is owed for so long, or
    /// that came so late a moment ago, shows that the broker or the way to it stood still.
    [[nodiscard]] bool stood_still(core::Instant now) const noexcept;
    /// Topics of alerts that the broker may have or may not have.
    [[nodiscard]] std::vector<std::string> alerts_on_their_way() const;
    /// Another session.
    void clear();

private:
    struct Slot {
        Purpose purpose = Purpose::none;
        core::Instant since{};
        std::string alert{};  ///< the topic of an alert
    };
    [[nodiscard]] bool any_owed_for(core::Duration time, core::Instant now) const noexcept;

    MqttLink& link_;
    std::array<Slot, slots + 2> slots_{};  ///< the last two for the goodbye
    std::optional<core::Instant> answered_late_{};
    bool refused_ = false;
};

}  // namespace dekeyd
