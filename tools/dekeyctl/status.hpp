// What the daemon says over the control socket, as plain values.
#pragma once

#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "words/messages.hpp"

namespace dekeyd::ctl {

using Quantity = formats::QuantityStatus;
using Limit = formats::LimitStatus;
using Cause = formats::CauseStatus;
using ChannelCount = formats::ChannelCount;
using Kept = formats::KeptStatus;
using Status = formats::Status;
using EventLine = formats::EventMessage;

/// One line of an answer or of the watch stream. Exactly the members that the line had are set.
struct Message {
    std::optional<Status> status{};
    std::optional<EventLine> event{};
    std::optional<bool> ok{};
    std::string outcome{}, text{};
    bool saved = true;    ///< false: what was done may be forgotten by a restart
    std::string error{};  ///< the daemon's, or what is wrong with the line itself
};

/// Never throws. A key that is missing is empty; a status without a boolean `permit` is no status, since nothing may
/// be concluded from it. Every string is made printable.
Message read_message(std::string_view line);

/// "forward: faults 4 % while keyed, none otherwise: suspect RF on this cable", for each sensor where the difference
/// is more than chance; and how often each other sensor failed, if at all; and which is
/// frozen.
std::vector<std::string> sensor_notes(const Status& status);

}  // namespace dekeyd::ctl
