// Alerts as the broker holds them: raised while a cause or a warning stands, taken away when it is over; and what
// happens, as sentences for the convention's log.
#pragma once

#include <deque>
#include <map>
#include <set>
#include <string>
#include <string_view>
#include <utility>

#include "core/protection.hpp"
#include "telemetry/outbox.hpp"
#include "telemetry/published/homie.hpp"

namespace dekeyd {

/// What is published of a guard that doesn't answer.
inline constexpr std::string_view guard_away =
    "The guard doesn't answer: nothing is measured, and nothing is known of the amplifier. See dekeyd on its machine.";

class Alerts {
public:
    Alerts(const homie::Device& device, Outbox& outbox) : device_{device}, outbox_{outbox} {}

    /// A trip's alert takes the readings of the trip's own moment: a moment later there may be no RF any more.
    void tripped(const std::string& id, homie::Alert alert) { trips_[id] = std::move(alert); }
    /// Sends what has changed. `away`: the guard doesn't answer, so what stood when it went is not over. `signal`: it
    /// has warnings that the guard doesn't know.
    void send(const core::Snapshot& snapshot, const formats::SignalReport& signal, bool away, bool urgent,
              core::Instant now);

    void begin_session() { to_clear_.merge(std::exchange(raised_, {})); }
    /// The broker may not have what is still on its way: such an alert counts as raised there, and the next session
    /// clears it unless it stands.
    void end_session();

    [[nodiscard]] bool is_raised(const std::string& id) const { return raised_.count(id) != 0; }
    /// Nothing of an earlier session is left.
    [[nodiscard]] bool all_cleared() const noexcept { return to_clear_.empty(); }

private:
    bool send_one(const std::string& id, std::string_view sentence, core::Instant now);

    const homie::Device& device_;
    Outbox& outbox_;
    std::map<std::string, bool> raised_;    ///< in this session -> published as latched
    std::map<std::string, bool> to_clear_;  ///< of an earlier session, or over
    std::map<std::string, homie::Alert> trips_;
    bool again_ = false;  ///< one found no room
    core::Instant next_{};
};

/// Sentences for the convention's log, and the commands that the guard has obeyed.
class Sentences {
public:
    Sentences(const homie::Device& device, Outbox& outbox) : device_{device}, outbox_{outbox} {}

    void begin_session();
    /// The oldest goes where too many wait. `level` must be a constant's.
    void say(std::string_view level, std::string sentence);
    void obeyed(core::CommandKind command) { obeyed_.insert(command); }
    void send(core::Instant now);

private:
    const homie::Device& device_;
    Outbox& outbox_;
    std::deque<std::pair<std::string_view, std::string>> log_{};  ///< level and sentence
    std::set<core::CommandKind> obeyed_{};
};

}  // namespace dekeyd
