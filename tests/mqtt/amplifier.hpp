// Telemetry and recorder as the daemon runs them, with the test in the guard's place.
#pragma once

#include <optional>
#include <string>

#include "daemon/recorder.hpp"
#include "daemon/telemetry.hpp"
#include "daemon/wall_clock.hpp"
#include "sample_plan.hpp"
#include "temporary_folder.hpp"

namespace dekeyd::test {

struct Amplifier {
    TemporaryFolder folder;
    formats::Configuration configuration;
    Ring<core::Event> to_recorder{4096};
    Ring<core::Event> to_telemetry{4096};
    Ring<core::Command> commands{16};
    std::optional<Newest<core::Snapshot>> for_recorder;
    std::optional<Newest<core::Snapshot>> for_telemetry;
    Wake guard;
    RecorderState state;
    LatestHistory latest;
    std::optional<Recorder> recorder;
    std::optional<Telemetry> telemetry;
    core::Snapshot snapshot;
    std::uint64_t events = 0;

    explicit Amplifier(int port, const std::string& id = "hilltop");
    void start();
    void stop();

    [[nodiscard]] std::string base() const { return "homie/5/" + configuration.id; }
    [[nodiscard]] std::string event_topic() const { return "dekeyd/" + configuration.id + "/event"; }

    /// One step of the guard: this event, if any, then the snapshot.
    void step(std::optional<core::Event> event = std::nullopt);
    core::Event event(core::EventKind kind, core::SourceIndex source = core::no_source);
    /// Permitted, with RF on the line and a good VSWR.
    void transmit();
    /// The latched VSWR trip.
    void trip();
};

}  // namespace dekeyd::test
