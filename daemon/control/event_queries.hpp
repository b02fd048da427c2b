// Events of the journal for the clients that ask for them: one question at a time goes to the reader's thread, in turn,
// so that no client keeps another from its answer.
#pragma once

#include <cstdint>
#include <optional>
#include <span>
#include <string>
#include <utility>

#include "control/client.hpp"
#include "control/journal_feed.hpp"
#include "recording/storage_state.hpp"

namespace dekeyd {

class EventQueries {
public:
    /// Both must outlive it.
    EventQueries(JournalFeed& journal, const StorageState& state) : journal_{journal}, state_{state} {}

    /// Sends the answer that is there, and passes the next question on. A journal that isn't open yet has no epoch and
    /// no events; the telemetry gets no such answer, for its feed says when to ask.
    void serve(std::span<ControlClient> clients);
    /// Parts of captures, for the telemetry alone. Of several questions the last one counts.
    void ask_capture(std::string name, std::uint64_t offset) { journal_.ask_capture(std::move(name), offset); }
    [[nodiscard]] std::optional<formats::CapturePart> take_capture() { return journal_.take_capture(); }
    /// A client that goes; what it asked for is thrown away.
    void leave(const ControlClient& client) noexcept;

private:
    void answer(std::span<ControlClient> clients, const JournalFeed::Batch& batch);

    JournalFeed& journal_;
    const StorageState& state_;
    int asks_ = -1;  ///< whose question the reader has, by its descriptor
    int last_ = -1;  ///< who had its turn last
};

}  // namespace dekeyd
