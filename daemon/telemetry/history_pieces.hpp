// The past for who opens a page late: an hour by seconds, a day by half minutes, a month by hours, gathered here from
// the guard's snapshots and left at the broker in retained pieces, dekeyd/<id>/history/<level>/<place>. A broker that
// lost them, or another one, gets all again. What this program has not seen is unknown.
//
// And a capture on the disk, in parts, for who asks for it by its name: homie/5/<id>/recorder/fetch/set, answered at
// dekeyd/<id>/capture.
#pragma once

#include <deque>
#include <map>
#include <optional>
#include <set>
#include <string>
#include <utility>
#include <vector>

#include "core/protection.hpp"
#include "messages/thinned.hpp"
#include "telemetry/guard_view.hpp"
#include "telemetry/outbox.hpp"
#include "telemetry/published/homie.hpp"

namespace dekeyd {

/// One capture at a time, a part at a time; the guard reads it, this program can't.
class CaptureFetch {
public:
    CaptureFetch(const formats::Configuration& configuration, GuardView& guard, Outbox& outbox);

    void begin_session();
    /// False: this message asks for none.
    bool hear(const homie::Incoming& message);
    void send(core::Instant now);

private:
    bool answer(const formats::FeedCapture& part, core::Instant now);

    std::string asked_topic_, answer_topic_;
    GuardView& guard_;
    Outbox& outbox_;
    std::deque<std::string> waiting_{};
    std::optional<formats::FeedCapture> part_{};  ///< the guard's, not sent yet
    std::uint64_t offset_ = 0;                    ///< of the first of `waiting_`
    std::optional<core::Instant> asked_at_{};     ///< of the guard
    core::Instant next_{};
};

class HistoryPieces {
public:
    HistoryPieces(const formats::Configuration& configuration, GuardView& guard, Outbox& outbox, MqttLink& link);

    /// The newest snapshot of a guard that answers.
    void add(const core::Snapshot& snapshot, double wall_s);

    /// All pieces are sent anew, one after the other.
    void begin_session();
    /// Asks once for what an earlier life of this program has left of the pieces that are being gathered now.
    void ask(core::Instant now);
    /// A message of the broker's. False: it is for others.
    bool hear(const homie::Incoming& message);
    /// At most one piece, the newest first; there is room for everything else.
    void send(core::Instant now);
    /// The broker takes no such topic: nothing more in this session.
    void refused() { waiting_.clear(), refused_ = true; }

private:
    struct Level {
        formats::PieceGatherer gatherer;
        std::map<std::int64_t, std::string> pieces{};  ///< by their place, as far as they were made
        std::string asked{};                           ///< the topic that is being listened to
    };
    [[nodiscard]] std::string topic(std::size_t level, std::int64_t place) const;

    const core::Plan& plan_;
    std::string base_;
    Outbox& outbox_;
    MqttLink& link_;
    CaptureFetch fetch_;
    std::vector<core::QuantityIndex> quantities_;
    std::vector<double> values_;
    std::vector<Level> levels_;
    std::vector<std::pair<std::size_t, std::int64_t>> waiting_;  ///< level and place; the last goes next
    core::Instant next_{};
    bool asked_ = false;
    bool refused_ = false;
    core::Instant listens_until_{};
};

}  // namespace dekeyd
