// The control socket: status, a stream of it, and the operator's commands, on this machine; and all that the telemetry
// is told. Its own thread; its clients can't delay the guard.
#pragma once

#include <array>
#include <atomic>
#include <functional>
#include <memory>
#include <optional>
#include <string>
#include <utility>
#include <vector>

#include "base/log.hpp"
#include "configuration/configuration.hpp"
#include "control/client.hpp"
#include "control/client_places.hpp"
#include "control/event_queries.hpp"
#include "control/listening_socket.hpp"
#include "control/outlet.hpp"
#include "control/pending_answers.hpp"
#include "control/recording_stream.hpp"
#include "control/telemetry_feed.hpp"
#include "core/interlock.hpp"
#include "messages/control.hpp"
#include "messages/snapshot_json.hpp"
#include "recording/storage_state.hpp"

namespace dekeyd {

class ControlSocket {
public:
    static constexpr core::Duration unread_life = std::chrono::seconds{10};  ///< of a client that doesn't read

    /// Asked for each status, on the socket's thread.
    using Context = std::function<formats::StatusContext()>;

    /// All references outlive it. Makes nothing yet. `saved` tells what is durable, and has the notes of holds; without
    /// it everything counts as so. To be made before the guard's thread runs, for that one rings wake().
    ControlSocket(const formats::Configuration& configuration, Outlet& outlet, Ring<core::Command>& commands,
                  Wake& guard, Context context, RecordingFeed* recording = nullptr, StorageState* saved = nullptr);
    ~ControlSocket();
    ControlSocket(const ControlSocket&) = delete;
    ControlSocket& operator=(const ControlSocket&) = delete;

    /// Makes `<run directory>/control`, `observe` for those who only look, and `telemetry` where there is one to be
    /// told, in place of those that a dead process left. Empty, or what failed and how to mend it.
    std::string listen();
    /// Before listen(), where there is a telemetry to be told.
    void serve_telemetry(TelemetryPorts ports, std::string_view version);
    /// Before run(): where the journal's events are read. Without it there are none to be asked for.
    void serve_events(JournalFeed& journal, const StorageState& state) { events_.emplace(journal, state); }
    /// To be rung when there is something new for a client.
    [[nodiscard]] Wake& wake() noexcept { return wake_; }
    [[nodiscard]] formats::MqttStatus telemetry() const noexcept;
    /// The thread's whole work, until leave(). Events are taken even if listen() failed.
    void run();
    void leave() noexcept {
        leave_.store(true);
        wake_.ring();
    }

private:
    using Client = ControlClient;

    [[nodiscard]] int poll_timeout(core::Instant now) const;
    void accept_clients(ListeningSocket& listener, core::Instant now);
    void receive(Client& client, core::Instant now);
    void keep_places(core::Instant now);
    void close_silent(core::Instant now);
    void answer(Client& client, std::string_view line, core::Instant now);
    void obey(Client& client, const formats::CommandRequest& request, core::Instant now);
    void take_events();
    void serve_watchers(core::Instant now);
    void feed_telemetry(core::Instant now);
    void begin_to_follow(Client& client, core::Instant now);
    void ask_events(Client& client, const formats::EventsRequest& request);
    void limit_remote_connections(const Client& newest);
    void answer_pending(core::Instant now);
    void drop_clients();
    [[nodiscard]] ClientPlace place_of(const Client& client) const;
    Client* client_of(int descriptor);
    [[nodiscard]] nlohmann::ordered_json status();

    const formats::Configuration& configuration_;
    Outlet& outlet_;
    Ring<core::Command>& commands_;
    Wake& guard_;
    Context context_;
    RecordingStream recording_;
    StorageState* saved_;
    ListeningSocket for_operators_, for_telemetry_, for_observers_;
    const std::array<ListeningSocket*, 3> listeners_{&for_operators_, &for_telemetry_, &for_observers_};
    core::Instant looked_{};  ///< when the last turn saw all that had come
    std::vector<Client> clients_;
    PendingAnswers pending_;
    std::uint32_t next_id_ = 1;
    bool proof_is_left_ = false;  ///< its client has gone, and the guard must be told
    Wake wake_;
    std::optional<TelemetryFeed> feed_;
    std::optional<EventQueries> events_;
    std::atomic<bool> followed_{false}, broker_{false};
    RateLimit connected_{std::chrono::seconds{10}, 3};
    RateLimit closed_clients_{std::chrono::minutes{1}};
    std::atomic<bool> leave_{false};
};

}  // namespace dekeyd
