// A recording for the one client that asked for it, in pieces.
#pragma once

#include <span>

#include "control/client.hpp"
#include "plan/time.hpp"
#include "recording/feed.hpp"

namespace dekeyd {

class RecordingStream {
public:
    /// Without a feed nothing is recorded. It must outlive this.
    explicit RecordingStream(RecordingFeed* feed) noexcept : feed_{feed} {}

    /// False: one is being made already, or none can be made.
    [[nodiscard]] bool begin(ControlClient& client, core::Duration length);
    /// Sends the part that was recorded since, where the client has read the part before.
    void serve(std::span<ControlClient> clients);
    /// A client that goes; its recording ends.
    void leave(const ControlClient& client);

private:
    RecordingFeed* feed_;
};

}  // namespace dekeyd
