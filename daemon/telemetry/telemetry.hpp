// The telemetry: publishes by MQTT what the guard decides, and passes an operator's commands on. It may hang with the
// broker, the network or the resolver for any time: no other thread waits for it, and no queue grows.
#pragma once

#include <memory>
#include <string>

#include "base/handover.hpp"
#include "configuration/configuration.hpp"
#include "telemetry/delivered_place.hpp"
#include "telemetry/guard_view.hpp"

namespace dekeyd {

class Telemetry {
public:
    /// `configuration.mqtt` must be set. `guard` is filled by a GuardLink, and its `to_telemetry` wakes this. `folder`:
    /// of this program alone. All references must outlive this; after a stop() that returned false the thread may still
    /// hang in the client, and then they must outlive the process (it should _exit).
    Telemetry(const formats::Configuration& configuration, GuardView& guard, DeliveredPlace& place, std::string folder);
    ~Telemetry();
    Telemetry(const Telemetry&) = delete;
    Telemetry& operator=(const Telemetry&) = delete;

    void start();
    /// Says goodbye to the broker if there is one that answers. False: not ended by the deadline.
    bool stop(core::Instant deadline);
    /// A session stands, and everything has been announced in it.
    [[nodiscard]] bool connected() const noexcept;
    /// Rises with each turn of its thread, for a watchdog.
    [[nodiscard]] std::uint64_t turns() const noexcept;

private:
    class Impl;
    std::shared_ptr<Impl> impl_;
};

}  // namespace dekeyd
