// The properties' values as the broker holds them: what has changed is sent, each at its own pace, the newest value
// always; nothing is queued.
#pragma once

#include <vector>

#include "telemetry/outbox.hpp"
#include "telemetry/published/homie.hpp"

namespace dekeyd {

class Values {
public:
    Values(const formats::Configuration& configuration, const homie::Device& device, Outbox& outbox);

    /// All is sent anew.
    void begin_session();
    /// What is prompt goes at once (`urgent`), everything else when its turn comes. False: something found no room.
    bool send(const core::Snapshot& snapshot, const homie::Context& around, bool urgent, core::Instant now);
    /// It is everything's turn.
    [[nodiscard]] bool is_due(core::Instant now) const noexcept { return now >= next_; }
    void make_due() noexcept { next_ = {}; }
    /// Each has been sent in this session.
    [[nodiscard]] bool all_sent() const noexcept;

private:
    struct Published {
        const homie::Property* property = nullptr;
        std::optional<core::Duration> again;  ///< after so long without a change
        bool sent = false;                    ///< in this session
        homie::Value value;
        core::Instant at{};
    };
    [[nodiscard]] bool worth_sending(const Published& one, const homie::Value& value, core::Instant now) const;

    const formats::Configuration& configuration_;
    const homie::Device& device_;
    Outbox& outbox_;
    std::vector<Published> all_;
    core::Instant next_{};
};

}  // namespace dekeyd
