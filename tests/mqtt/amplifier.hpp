// Journal writer, control socket and telemetry as the two programs run them, with the test in the guard's place.
#pragma once

#include <atomic>
#include <mutex>
#include <optional>
#include <string>
#include <thread>

#include "base/wall_clock.hpp"
#include "control/journal_feed.hpp"
#include "control/socket.hpp"
#include "recording/journal_writer.hpp"
#include "sample_plan.hpp"
#include "telemetry/guard_link.hpp"
#include "telemetry/telemetry.hpp"
#include "temporary_folder.hpp"

namespace dekeyd::test {

struct Amplifier {
    TemporaryFolder folder;
    formats::Configuration configuration;
    Ring<core::Event> to_recorder{4096};
    Ring<core::Command> commands{16};  ///< those that came by MQTT
    Ring<core::Command> local_commands{4};
    std::optional<Newest<core::Snapshot>> for_recorder;
    Wake guard;
    StorageState state;
    LatestHistory latest;
    core::Snapshot snapshot;  ///< the test's draft; step() takes it
    std::uint64_t events = 0;

    // The guard's program.
    std::optional<Outlet> outlet;
    std::optional<ControlSocket> control;
    std::optional<JournalFeed> journal_feed;
    std::optional<JournalWriter> recorder;

    // The telemetry's.
    std::optional<GuardView> view;
    std::optional<DeliveredPlace> place;
    std::optional<GuardLink> link;
    std::optional<Telemetry> telemetry;

    explicit Amplifier(int port, const std::string& id = "hilltop");
    ~Amplifier();
    /// Both programs anew.
    void start();
    void stop();
    void start_telemetry();
    void stop_telemetry();
    void start_guard();
    /// As by SIGKILL: its socket is there no more, and no word of farewell.
    void stop_guard();
    /// The guard's thread stands still, though its socket answers.
    void freeze_guard(bool frozen) { frozen_.store(frozen); }

    [[nodiscard]] std::string base() const { return "homie/5/" + configuration.id; }
    [[nodiscard]] std::string event_topic() const { return "dekeyd/" + configuration.id + "/event"; }

    /// One step of the guard: this event, if any, then the snapshot.
    void step(std::optional<core::Event> event = std::nullopt);
    core::Event event(core::EventKind kind, core::SourceIndex source = core::no_source);
    /// Permitted, with RF on the line and a good VSWR.
    void transmit();
    /// The latched VSWR trip.
    void trip();

private:
    void publish();
    void go_on_deciding();

    std::mutex mutex_;  ///< of the three below, and of the outlet's writing side
    core::Snapshot published_;
    std::thread control_thread_, deciding_;
    std::atomic<bool> decides_{false}, frozen_{false};
};

}  // namespace dekeyd::test
