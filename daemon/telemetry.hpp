// The telemetry: publishes by MQTT what the guard decides, and passes an operator's commands on. It may hang with the
// broker, the network or the resolver for as long as they like; nobody waits for it, and nothing piles up.
#pragma once

#include <memory>

#include "core/interlock.hpp"
#include "core/step.hpp"
#include "daemon/archive.hpp"
#include "daemon/handover.hpp"
#include "daemon/latest_history.hpp"
#include "daemon/recorder_state.hpp"
#include "formats/configuration.hpp"

namespace dekeyd {

class Telemetry {
public:
    /// `configuration.mqtt` must be set. All references must outlive this; after a stop() that returned false the
    /// thread may still hang in the client, and then they must outlive the process (it should _exit).
    /// `recorder`: events are delivered from the journal in the state directory as far as it says they are durable.
    /// `archive`: what to tell of captures and logs; nullptr: nothing. `latest`: captures and transmissions to publish.
    Telemetry(const formats::Configuration& configuration, Ring<core::Event>& events, Newest<core::Snapshot>& snapshots,
              Ring<core::Command>& commands, Wake& guard, RecorderState& recorder,
              const ArchiveState* archive = nullptr, LatestHistory* latest = nullptr);
    ~Telemetry();
    Telemetry(const Telemetry&) = delete;
    Telemetry& operator=(const Telemetry&) = delete;

    void start();
    /// To be rung after an event was pushed and its snapshot published, and by the recorder: a trip is out at once
    /// then, and within 25 ms otherwise.
    [[nodiscard]] Wake& wake() noexcept;
    /// Says goodbye to the broker if there is one that answers. False: not ended by the deadline.
    bool stop(core::Instant deadline);
    /// A session stands, and everything has been announced in it.
    [[nodiscard]] bool connected() const noexcept;

private:
    class Work;
    std::shared_ptr<Work> work_;
};

}  // namespace dekeyd
