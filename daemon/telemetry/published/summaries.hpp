// The summary: whole when anything in it has changed, and now and then; in the seconds between, a short pulse that says
// which summary is still true.
#pragma once

#include <functional>
#include <optional>
#include <string>

#include "telemetry/published/homie.hpp"
#include "words/mqtt_messages.hpp"

namespace dekeyd {

/// The later one tells a reader nothing new: no word differs, and no value by as much as its dead band. What changes by
/// the second alone (time, sequence) isn't compared; what counts seconds (a transmission) is.
bool still_true(const formats::LiveSummary& said, const formats::LiveSummary& later, const core::Plan& plan);

class Summaries {
public:
    static constexpr core::Duration every = std::chrono::seconds{1};
    static constexpr core::Duration whole_every = std::chrono::seconds{15};

    /// False: there was no room.
    using Send = std::function<bool(const homie::Property& property, const std::string& payload, core::Instant now)>;
    Summaries(const formats::Configuration& configuration, const homie::Device& device, Send send);

    /// The next one is whole.
    void begin_session() noexcept;
    void make_due() noexcept { next_ = {}; }
    [[nodiscard]] bool is_due(core::Instant now) const noexcept { return now >= next_; }
    /// One was sent in this session.
    [[nodiscard]] bool sent() const noexcept { return said_.has_value(); }
    /// Once a second. What finds no room is tried again.
    void send(const core::Snapshot& snapshot, const homie::Context& around, core::Instant now);

private:
    const formats::Configuration& configuration_;
    const homie::Device& device_;
    Send send_;
    const homie::Property* summary_ = nullptr;
    const homie::Property* pulse_ = nullptr;
    std::optional<formats::LiveSummary> said_;  ///< in this session
    core::Instant next_{};
    core::Instant next_whole_{};
};

}  // namespace dekeyd
