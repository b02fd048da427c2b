#include "telemetry/telemetry.hpp"

#include <fmt/format.h>
#include <fmt/ranges.h>
#include <spdlog/spdlog.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <deque>
#include <map>
#include <random>
#include <set>

#include "base/log.hpp"
#include "base/thread.hpp"
#include "base/wall_clock.hpp"
#include "messages/control.hpp"
#include "telemetry/broker_login.hpp"
#include "telemetry/description_version.hpp"
#include "telemetry/homie.hpp"
#include "telemetry/mqtt_link.hpp"
#include "words/event_text.hpp"
#include "words/reason.hpp"

namespace dekeyd {
namespace {

using namespace std::chrono_literals;
using formats::command_life;

constexpr core::Duration outbox_look_every = 100ms;
constexpr core::Duration summary_every = 1s;
constexpr core::Duration first_reconnection = 1s;
constexpr core::Duration slowest_retry = 60s;
constexpr core::Duration proven_after = 30s;         ///< a session that lasted so long starts the back-off anew
constexpr core::Duration connect_at_most = 15s;      ///< then the client counts as hung, and is replaced
constexpr core::Duration answer_at_most = 20s;       ///< so long may the broker take for anything in flight
constexpr core::Duration first_look = 1s;            ///< for the guard, before a session without it
constexpr core::Duration grace = 250ms;              ///< after subscribing: what comes may have waited at the broker
constexpr core::Duration believed_again_after = 2s;  ///< after an answer that was late
constexpr core::Duration sweep_for = 2s;
constexpr core::Duration goodbye_at_most = 1s;
constexpr core::Duration complain_every = 60s;
constexpr std::size_t slots = 32;        ///< messages in flight; the rest waits as "newest value", not as a message
constexpr std::size_t spare_slots = 12;  ///< kept free for alerts, events and the permit
constexpr std::size_t most_log_lines = 64;
constexpr std::size_t most_recent = 16;  ///< events kept for who comes later
constexpr std::uint32_t no_slot = 0xffff;
constexpr std::string_view guard_away =
    "The guard doesn't answer: nothing is measured, and nothing is known of the amplifier. See dekeyd on its machine.";

/// A property, and what the broker was last given of it in this session.
struct Cell {
    const homie::Property* property = nullptr;
    bool sent = false;
    homie::Value value;
    core::Instant at{};
};

}  // namespace

class Telemetry::Work {
public:
    Work(const formats::Configuration& configuration, GuardView& guard, Place& place, std::string folder)
        : wake_{guard.to_telemetry},
          configuration_{configuration},
          mqtt_{configuration.mqtt.value()},
          guard_{guard},
          place_{place},
          folder_{std::move(folder)},
          nothing_known_{core::Protection::blank(configuration.plan)},
          device_{configuration},
          link_{wake_},
          random_{std::random_device{}()} {
        for (const homie::Property& property : device_.properties()) {
            if (!property.settable()) cells_.push_back({.property = &property, .value = {}});
        }
    }

    void run() noexcept {
        while (!stopping_.load(std::memory_order_acquire)) {
            turns_.fetch_add(1, std::memory_order_relaxed);
            try {
                pass(monotonic_now());
            } catch (const std::exception& error) {
                complain(fmt::format("telemetry: {}; the connection is made anew", error.what()));
                give_up(monotonic_now());
            }
            wake_.wait(monotonic_now() + outbox_look_every);
        }
        try {
            say_goodbye();
        } catch (...) {
        }
        set_connected(false);
        finished_.store(true, std::memory_order_release);
        link_.drop();  // may wait for the client's own threads as long as a resolver takes
    }

    Wake& wake_;
    std::atomic<std::uint64_t> turns_{0};
    std::atomic<core::Duration::rep> deadline_{0};
    std::atomic<bool> stopping_{false};
    std::atomic<bool> finished_{false};
    std::atomic<bool> connected_{false};
    Thread thread_;

private:
    enum class Phase : std::uint8_t { waiting, connecting, announcing, ready };
    enum class Freight : std::uint8_t { none, value, alert, event, subscription, sweep, goodbye };

    struct InFlight {
        Freight freight = Freight::none;
        core::Instant since{};
        std::string alert{};  ///< its id, of Freight::alert
    };

    void pass(core::Instant now) {
        take_in(now);
        for (auto news = link_.next(); news; news = link_.next()) hear(*news, now);
        if (link_.flooded() != flooded_) {
            flooded_ = link_.flooded();
            if (floods_.pass(now)) {
                spdlog::warn("messages flood in, {} had no room so far{}", flooded_, floods_.since());
            }
        }
        supervise(now);
        if (phase_ == Phase::announcing || phase_ == Phase::ready) speak(now);
    }

    // ---- from the guard ----

    /// What is published: of a guard that doesn't answer, nothing is known.
    [[nodiscard]] const core::Snapshot& shown() const noexcept {
        return away_ ? nothing_known_ : guard_.snapshots.value();
    }

    // The snapshot first: it is handed over before its events.
    void take_in(core::Instant now) {
        guard_.snapshots.take();
        storage_ = guard_.storage();
        const core::Snapshot& newest = guard_.snapshots.value();
        const bool away = !guard_.reachable() || now - newest.now > GuardView::silent_after;
        if (away != away_) {
            away_ = away;
            urgent_ = true;
            next_full_ = next_summary_ = {};
            if (away) spdlog::error("the guard doesn't answer: published as lost, and permit as false");
            if (!away && phase_ == Phase::ready) announce_anew(now);
        }
        while (const core::Event* front = guard_.events.front()) {
            const core::Event event = *front;
            guard_.events.pop();
            urgent_ = true;
            const std::span<const core::Reading> around = newest.now == event.at
                                                              ? std::span<const core::Reading>{newest.quantities}
                                                              : std::span<const core::Reading>{};
            std::string sentence = formats::sentence(configuration_.plan, event, around);
            if (event.kind == core::EventKind::tripped) {
                // The alert takes the readings of the moment itself; a moment later there may be no RF any more.
                const bool latched = newest.now == event.at && newest.causes[event.source].latched;
                trip_sentences_[homie::alert_id(configuration_.plan, event.source)] = {sentence, latched};
            }
            const bool obeyed = event.kind == core::EventKind::held || event.kind == core::EventKind::released ||
                                event.kind == core::EventKind::reset;
            if (obeyed && event.origin == core::Origin::remote) reflect_.insert(event.command);
            if (phase_ != Phase::ready && phase_ != Phase::announcing) continue;  // the journal keeps it
            if (log_.size() >= most_log_lines) log_.pop_front();
            log_.push_back({core::log_level_words.of(core::severity_of(event)), std::move(sentence)});
        }
        if (shown().permit != last_permit_ || shown().state != last_state_) urgent_ = true;
        last_permit_ = shown().permit;
        last_state_ = shown().state;
    }

    void set_connected(bool connected) {
        connected_.store(connected, std::memory_order_release);
        guard_.broker.store(connected);
        guard_.to_guard.ring();
    }

    // ---- from the client ----

    void hear(const LinkNews& news, core::Instant now) {
        switch (news.kind) {
            case LinkNews::Kind::connected:
                if (phase_ == Phase::connecting) begin_session(now);
                return;
            case LinkNews::Kind::refused:
                complain_about_connection(
                    news.text + (mqtt_.tls
                                     ? "; with TLS that may also be a certificate that ca_file doesn't vouch for, "
                                       "or one for another name than the configured host"
                                     : ""),
                    now);
                give_up(now);
                return;
            case LinkNews::Kind::lost: lose_session(news.text, now); return;
            case LinkNews::Kind::done: done(news.slot, now); return;
            case LinkNews::Kind::failed: failed(news.slot, news.text, now); return;
            case LinkNews::Kind::message: listen(news.message, now); return;
            case LinkNews::Kind::gone: gone_ = true; return;
        }
    }

    void done(std::uint32_t slot, core::Instant now) {
        if (slot >= in_flight_.size()) return;
        const Freight freight = std::exchange(in_flight_[slot].freight, Freight::none);
        if (freight != Freight::none && now - in_flight_[slot].since > command_life) answered_late_ = now;
        if (freight == Freight::event) {
            place_.set(event_in_flight_);
            if (next_event_ && next_event_->number == event_in_flight_) remember(next_event_->text);
            event_in_flight_ = 0;
        } else if (freight == Freight::subscription) {
            listening_since_ = now;
        } else if (freight == Freight::goodbye) {
            --goodbyes_left_;
        }
    }

    void failed(std::uint32_t slot, const std::string& text, core::Instant now) {
        if (slot >= in_flight_.size()) return;
        const Freight freight = std::exchange(in_flight_[slot].freight, Freight::none);
        // The sweep only tidies up; a broker that lets us read nothing but commands is fine.
        if (freight == Freight::sweep || freight == Freight::none) return;
        lose_session(freight == Freight::subscription ? "the broker refused the subscription to commands: " + text
                                                      : "a message was not taken: " + text,
                     now);
    }

    // ---- commands and leftovers ----

    /// Messages bear no time. But values go out each second, and what the broker leaves unanswered for so long, or has
    /// just answered so late, shows that it or the way to it stood still.
    [[nodiscard]] bool may_have_waited(core::Instant now) const {
        const bool unanswered = std::any_of(in_flight_.begin(), in_flight_.end(), [&](const InFlight& one) {
            return one.freight != Freight::none && now - one.since > command_life;
        });
        return unanswered || (answered_late_ && now - *answered_late_ < believed_again_after);
    }

    void listen(const homie::Incoming& message, core::Instant now) {
        if (!message.topic.ends_with("/set")) {
            if (message.retained && message.size > 0) sweep(message.topic);
            return;
        }
        const bool late = !listening_since_ || now - *listening_since_ < grace;
        auto judged = homie::judge_command(device_, mqtt_, message, late);
        const auto* const asked = std::get_if<core::CommandKind>(&judged);
        // A reset or a release that waited is another moment's; a hold is right at any moment.
        if (asked != nullptr && *asked != core::CommandKind::hold && may_have_waited(now))
            judged = homie::Refusal::late;
        if (const auto* refusal = std::get_if<homie::Refusal>(&judged)) {
            if (message.size == 0 && *refusal == homie::Refusal::retained) return;
            RateLimit& said = refused_.try_emplace(*refusal, complain_every).first->second;
            if (said.pass(now)) {
                spdlog::warn("a command on {} was refused: {}{}", printable(message.topic), homie::text(*refusal),
                             said.since());
            }
            return;
        }
        const auto kind = std::get<core::CommandKind>(judged);
        if (!guard_.ask(kind) && too_many_.pass(now)) {
            spdlog::warn("a command was refused: {}{}",
                         away_ ? "the guard doesn't answer" : "too many in a short time, or the guard isn't there",
                         too_many_.since());
        }
    }

    // A retained topic of ours from an earlier life: a property that the description no longer has, an alert that is
    // over.
    void sweep(const std::string& topic) {
        const std::string_view below = std::string_view{topic}.substr(std::min(topic.size(), device_.base().size()));
        const bool alert = below.starts_with("/$alert/") && below.find('/', 8) == std::string_view::npos;
        const bool property = !below.starts_with("/$") && std::count(below.begin(), below.end(), '/') == 2;
        if (!topic.starts_with(device_.base()) || (!alert && !property)) return;
        if (alert && raised_.count(std::string{below.substr(8)}) != 0) return;
        if (const homie::Property* known = property ? device_.find(topic) : nullptr;
            known != nullptr && known->retained()) {
            return;
        }
        if (leftovers_.size() < 256) leftovers_.insert(topic);
    }

    static std::string printable(std::string_view text) {
        std::string clean{text.substr(0, 100)};
        for (char& c : clean) {
            if (c < 0x20 || c > 0x7e) c = '?';
        }
        return clean;
    }

    // ---- the session ----

    void supervise(core::Instant now) {
        if (phase_ == Phase::waiting) {
            // A guard that is just being found need not be said to be lost first.
            const bool looks = away_ && now - started_ < first_look;
            if (now >= retry_at_ && !looks) begin_to_connect(now);
            return;
        }
        if (phase_ == Phase::connecting) {
            if (now - phase_since_ < connect_at_most) return;
            complain_about_connection("the client gave no answer at all and is replaced", now);
            give_up(now);
            return;
        }
        for (const InFlight& one : in_flight_) {
            if (one.freight != Freight::none && now - one.since > answer_at_most) {
                lose_session("the broker takes nothing any more", now);
                return;
            }
        }
        if (now - phase_since_ > proven_after) retry_after_ = first_reconnection;
    }

    void begin_to_connect(core::Instant now) {
        const Login login = read_login(mqtt_);
        std::string trouble = login.trouble;
        if (trouble.empty()) {
            phase_ = Phase::connecting;
            phase_since_ = now;
            trouble = link_.connect(mqtt_, login, "dekeyd-" + configuration_.id, device_.permit_topic(), "false");
        }
        if (trouble.empty()) return;
        complain_about_connection(trouble, now);
        give_up(now);
    }

    void begin_session(core::Instant now) {
        phase_ = Phase::announcing;
        phase_since_ = session_since_ = now;
        said_away_ = false;
        listening_since_.reset();
        sweep_until_.reset();
        leftovers_.clear();
        in_flight_ = {};
        event_in_flight_ = 0;
        announced_ = 0;
        for (Cell& cell : cells_) cell.sent = false;
        to_clear_.merge(std::exchange(raised_, {}));
        log_.clear();
        reflect_.clear();
    }

    void lose_session(const std::string& why, core::Instant now) {
        const bool short_lived = now - session_since_ < 5s;
        losses_in_a_row_ = short_lived ? losses_in_a_row_ + 1 : 0;
        if (losses_in_a_row_ == 3) {
            spdlog::warn(
                "the broker ends the session as soon as it stands; another client may have the id dekeyd-{}: give each "
                "amplifier its own device id",
                configuration_.id);
        }
        complain_about_connection("the connection was lost" + (why.empty() ? "" : ": " + why), now);
        give_up(now);
    }

    // Back-off grows until a session has proved itself, and no two instances come back in step. The broker may not
    // have what is still in flight: an alert of which that is so counts as raised there, and the next session clears it
    // unless it stands.
    void give_up(core::Instant now) {
        for (const InFlight& one : in_flight_) {
            if (one.freight == Freight::alert) raised_.try_emplace(one.alert, false);
        }
        phase_ = Phase::waiting;
        phase_since_ = now;
        set_connected(false);
        listening_since_.reset();
        link_.drop();
        in_flight_ = {};
        event_in_flight_ = 0;
        const double share = std::uniform_real_distribution<double>{0.5, 1.0}(random_);
        retry_at_ = monotonic_now() + std::chrono::duration_cast<core::Duration>(retry_after_ * share);
        retry_after_ = std::min<core::Duration>(2 * retry_after_, slowest_retry);
    }

    void complain_about_connection(const std::string& text, core::Instant now) {
        const bool new_trouble = text != last_trouble_;
        last_trouble_ = text;
        const bool pass = connection_complaints_.pass(now);
        if (!pass && !new_trouble) return;
        spdlog::warn("broker {}: {}; the amplifier is guarded all the same{}", broker_uri(mqtt_), text,
                     connection_complaints_.since());
    }

    void complain(const std::string& text) noexcept {
        try {
            if (complaints_.pass(monotonic_now())) spdlog::error("{}{}", text, complaints_.since());
        } catch (...) {
        }
    }

    // ---- to the broker ----

    /// One message; false when there is no room in flight, or the client took none (which ends the session).
    bool send(const std::string& topic, std::string_view payload, int qos, bool retained, Freight freight,
              std::size_t keep_free, core::Instant now) {
        std::uint32_t slot = no_slot;
        std::size_t free = 0;
        for (std::size_t i = 0; i < slots; ++i) {
            if (in_flight_[i].freight != Freight::none) continue;
            ++free;
            if (slot == no_slot) slot = static_cast<std::uint32_t>(i);
        }
        if (free <= keep_free || slot == no_slot) return false;
        in_flight_[slot] = {freight, now, {}};
        if (freight == Freight::alert) in_flight_[slot].alert = topic.substr(device_.alert_topic("").size());
        if (link_.publish(topic, payload, qos, retained, slot)) return true;
        in_flight_[slot] = {};
        broken_ = true;
        return false;
    }

    bool ask_for(const std::string& filter, int qos, Freight freight, core::Instant now) {
        for (std::size_t i = 0; i < slots; ++i) {
            if (in_flight_[i].freight != Freight::none) continue;
            in_flight_[i] = {freight, now, {}};
            if (link_.subscribe(filter, qos, static_cast<std::uint32_t>(i))) return true;
            in_flight_[i] = {};
            broken_ = true;
            return false;
        }
        return false;
    }

    void speak(core::Instant now) {
        broken_ = false;
        if (phase_ == Phase::announcing) announce(now);
        const bool full = phase_ == Phase::announcing || now >= next_full_;
        if (full || urgent_) look_around(now);
        if (announced_ > 0) {
            const bool urgent = std::exchange(urgent_, false);
            send_cells(now, full, urgent);
            if (phase_ == Phase::ready && said_away_ != away_) say_state(now);
            send_alerts(now, urgent);
        }
        if (phase_ == Phase::ready) {
            send_log(now);
            send_event(now);
            send_leftovers(now);
            send_summary(now);
        } else if (announced_ == 2 && everything_sent() && listening_since_ && now - *listening_since_ >= grace) {
            // A command that follows "ready" is never late.
            if (say_state(now)) begin_ready(now);
        }
        if (broken_) lose_session("the client takes no message", now);
    }

    /// "ready" while the guard answers.
    bool say_state(core::Instant now) {
        if (!send(device_.state_topic(), away_ ? "lost" : "ready", 1, true, Freight::value, 0, now)) {
            urgent_ = true;
            return false;
        }
        said_away_ = away_;
        return true;
    }

    /// The guard is back: the convention has no way from "lost" to "ready" but that all is said again. What is in
    /// flight stays so.
    void announce_anew(core::Instant now) {
        phase_ = Phase::announcing;
        phase_since_ = now;
        announced_ = 0;
        said_away_ = false;
        for (Cell& cell : cells_) cell.sent = false;
    }

    void announce(core::Instant now) {
        if (announced_ == 0) {
            if (!send(device_.state_topic(), "init", 1, true, Freight::value, 0, now)) return;
            const bool listens = listening_since_.has_value();
            if (!listens && !ask_for(device_.base() + "/+/+/set", 1, Freight::subscription, now)) return;
            announced_ = 1;
        }
        if (announced_ == 1) {
            if (!description_) {
                description_ =
                    device_.description(description_version(folder_, device_.description(0), wall_stamp(now)));
            }
            if (send(device_.description_topic(), *description_, 1, true, Freight::value, 0, now)) announced_ = 2;
        }
    }

    void begin_ready(core::Instant now) {
        phase_ = Phase::ready;
        phase_since_ = now;
        set_connected(true);
        spdlog::info("connected to {}", broker_uri(mqtt_));
        last_trouble_.clear();
        // What an earlier life left behind comes as retained messages to a new subscription.
        if (ask_for(device_.base() + "/+/+", 0, Freight::sweep, now)) sweep_until_ = now + sweep_for;
    }

    [[nodiscard]] bool everything_sent() const noexcept {
        return to_clear_.empty() && std::all_of(cells_.begin(), cells_.end(), [](const Cell& c) { return c.sent; });
    }

    void look_around(core::Instant now) {
        around_.stamp = wall_stamp(now);
        const std::uint64_t delivered = place_.number();
        around_.events_waiting = storage_.durable - std::min(storage_.durable, delivered);
        around_.events_lost = events_missing_ + storage_.unwritten;
        around_.storage_fails = storage_.fails;
        around_.failed_writes = storage_.kept.failed_writes;
        around_.captures = storage_.kept.captures;
        around_.records_waiting = storage_.kept.waiting;
        around_.records_dropped = storage_.kept.dropped;
        around_.steps_lost = storage_.kept.lost_steps;
        around_.reason = away_ ? std::string{guard_away} : formats::reason(configuration_.plan, shown());
        guard_.take_history(around_.kept);
        around_.proof = shown().proof.phase == core::ProofPhase::none ? storage_.proof : around_.reason;
    }

    // After an event the permit and the limits go at once; measured values keep to their pace.
    void send_cells(core::Instant now, bool full, bool urgent) {
        if (!full && !urgent) return;
        const core::Snapshot& snapshot = shown();
        bool all = true;
        for (Cell& cell : cells_) {
            const bool prompt = cell.property->pace == homie::Pace::prompt;
            if (!full && !prompt) continue;
            if (cell.property->pace == homie::Pace::each_second) {
                if (!cell.sent) send_summary(now);
                continue;
            }
            homie::Value value = device_.value(*cell.property, snapshot, around_);
            if (cell.sent && !worth_sending(cell, value, now)) continue;
            if (!send(cell.property->topic, value.text.value_or(""), 1, true, Freight::value, prompt ? 0 : spare_slots,
                      now)) {
                all = false;
                if (broken_) return;
                continue;
            }
            cell.sent = true;
            cell.at = now;
            cell.value = std::move(value);
        }
        if (!all) urgent_ = true;
        if (full && all) next_full_ = now + mqtt_.fastest;
    }

    [[nodiscard]] bool worth_sending(const Cell& cell, const homie::Value& value, core::Instant now) const {
        const homie::Pace pace = cell.property->pace;
        if (pace == homie::Pace::measured && value.text && now - cell.at >= mqtt_.slowest) return true;
        if (value.text == cell.value.text) return false;
        if (pace == homie::Pace::slow) return now - cell.at >= mqtt_.slowest;
        if (!value.number || !cell.value.number) return true;
        const core::Unit unit = core::describe(configuration_.plan, cell.property->index).unit;
        return std::fabs(*value.number - *cell.value.number) >= homie::dead_band(unit, *cell.value.number);
    }

    void send_alerts(core::Instant now, bool urgent) {
        if (!urgent && !urgent_alerts_ && now < next_alerts_ && to_clear_.empty()) return;
        next_alerts_ = now + 200ms;
        urgent_alerts_ = false;
        auto standing = device_.alerts(shown());
        if (away_) {
            // What stood when the guard went is not over.
            for (const auto& [id, latched] : raised_) standing.try_emplace(id, homie::Alert{{}, latched});
            standing["guard"] = {std::string{guard_away}, false};
        }
        for (const auto& [id, alert] : standing) {
            const auto raised = raised_.find(id);
            if (raised != raised_.end() && raised->second == alert.latched) continue;
            const auto trip = trip_sentences_.find(id);
            const bool still_so = trip != trip_sentences_.end() && trip->second.latched == alert.latched;
            const std::string& sentence = still_so ? trip->second.sentence : alert.sentence;
            if (!send(device_.alert_topic(id), sentence, 1, true, Freight::alert, 2, now)) {
                urgent_alerts_ = true;
                return;
            }
            raised_[id] = alert.latched;
            to_clear_.erase(id);
        }
        for (auto& [id, latched] : raised_) {
            if (standing.count(id) == 0) to_clear_[id] = latched;
        }
        for (auto it = to_clear_.begin(); it != to_clear_.end();) {
            if (!send(device_.alert_topic(it->first), "", 1, true, Freight::alert, 2, now)) {
                urgent_alerts_ = true;
                return;
            }
            raised_.erase(it->first);
            trip_sentences_.erase(it->first);
            it = to_clear_.erase(it);
        }
    }

    void send_log(core::Instant now) {
        while (!log_.empty()) {
            const auto& [level, line] = log_.front();
            if (!send(device_.log_topic(level), line, 0, false, Freight::value, 4, now)) return;
            log_.pop_front();
        }
        while (!reflect_.empty()) {
            const std::string word{core::text(*reflect_.begin())};
            const std::string topic = fmt::format("{}/permit/{}", device_.base(), word);
            // A command that is no longer configured can't have been obeyed.
            if (device_.find(topic) != nullptr && !send(topic, word, 0, false, Freight::value, 4, now)) return;
            reflect_.erase(reflect_.begin());
        }
    }

    // One in flight, in order, again until the broker has it.
    void send_event(core::Instant now) {
        if (event_in_flight_ != 0 || away_ || storage_.epoch.empty()) return;
        const std::uint64_t delivered = place_.in(storage_.epoch, storage_.durable);
        if (!recall(delivered) || delivered >= storage_.durable) return;
        const std::uint64_t next = delivered + 1;
        if (!next_event_ || next_event_->number < next) {
            FetchedEvents::Next fetched = guard_.journal.take(next);
            const std::uint64_t found = fetched.entry          ? fetched.entry->number
                                        : fetched.gone_through ? *fetched.gone_through + 1
                                                               : next;
            if (found > next) {
                events_missing_ += found - next;
                complain(
                    fmt::format("events {} to {} are no longer in the journal and are not delivered", next, found - 1));
            }
            next_event_ = std::move(fetched.entry);
            if (fetched.gone_through) place_.set(*fetched.gone_through);
            if (!next_event_) return guard_.to_guard.ring();  // it is asked for
        }
        if (!send(device_.event_topic(), next_event_->text, 1, false, Freight::event, 1, now)) return;
        event_in_flight_ = next_event_->number;
    }

    /// Those that were delivered in an earlier life, once. False: they aren't here yet.
    bool recall(std::uint64_t delivered) {
        if (recalled_ == storage_.epoch) return true;
        if (next_recalled_ == 0) next_recalled_ = delivered < most_recent ? 1 : delivered - most_recent + 1;
        while (next_recalled_ <= delivered) {
            FetchedEvents::Next fetched = guard_.journal.take(next_recalled_);
            if (fetched.gone_through) break;
            if (!fetched.entry) {
                guard_.to_guard.ring();
                return false;
            }
            next_recalled_ = fetched.entry->number + 1;
            if (fetched.entry->number <= delivered) {
                remember(fetched.entry->text);
            } else {
                next_event_ = std::move(fetched.entry);
            }
        }
        recalled_ = storage_.epoch;
        return true;
    }

    void remember(const std::string& text) {
        if (recent_.size() >= most_recent) recent_.pop_front();
        recent_.push_back(text);
        around_.recent = fmt::format("[{}]", fmt::join(recent_, ","));
    }

    void send_leftovers(core::Instant now) {
        if (sweep_until_ && now >= *sweep_until_) {
            sweep_until_.reset();
            link_.unsubscribe(device_.base() + "/+/+", no_slot);
        }
        while (!leftovers_.empty()) {
            if (!send(*leftovers_.begin(), "", 1, true, Freight::value, spare_slots, now)) return;
            leftovers_.erase(leftovers_.begin());
        }
    }

    void send_summary(core::Instant now) {
        if (phase_ == Phase::ready && now < next_summary_) return;
        const auto cell = std::find_if(cells_.begin(), cells_.end(),
                                       [](const Cell& c) { return c.property->pace == homie::Pace::each_second; });
        if (cell == cells_.end() || (phase_ != Phase::ready && cell->sent)) return;
        look_around(now);
        if (!send(cell->property->topic, device_.summary(shown(), around_), 1, true, Freight::value, spare_slots,
                  now)) {
            return;
        }
        cell->sent = true;
        next_summary_ = now + summary_every;
    }

    void say_goodbye() {
        if (phase_ != Phase::announcing && phase_ != Phase::ready) return;
        const core::Instant now = monotonic_now();
        const core::Instant until =
            std::min(now + goodbye_at_most, core::Instant{core::Duration{deadline_.load()}} - 200ms);
        // A full flight must not keep the last words back, nor may its answers be taken for theirs.
        in_flight_[slots] = in_flight_[slots + 1] = {Freight::goodbye, now, {}};
        goodbyes_left_ = 2;
        if (!link_.publish(device_.permit_topic(), "false", 1, true, slots)) return;
        if (!link_.publish(device_.state_topic(), "disconnected", 1, true, slots + 1)) return;
        wait_for([this] { return goodbyes_left_ == 0; }, until);
        // A clean end would take the will back, which says the same.
        if (goodbyes_left_ == 0 && link_.disconnect()) wait_for([this] { return gone_; }, until + 100ms);
    }

    template <class Condition>
    void wait_for(Condition condition, core::Instant until) {
        while (!condition() && monotonic_now() < until) {
            for (auto news = link_.next(); news; news = link_.next()) {
                if (news->kind == LinkNews::Kind::lost) return;
                if (news->kind == LinkNews::Kind::done || news->kind == LinkNews::Kind::gone) {
                    hear(*news, monotonic_now());
                }
            }
            if (!condition()) wake_.wait(std::min(until, monotonic_now() + 20ms));
        }
    }

    const formats::Configuration& configuration_;
    const formats::MqttConfig& mqtt_;
    GuardView& guard_;
    Place& place_;
    std::string folder_;
    core::Snapshot nothing_known_;
    bool away_ = true;        ///< the guard doesn't answer
    bool said_away_ = false;  ///< as `$state` says it in this session
    formats::FeedStorage storage_;
    homie::Device device_;
    MqttLink link_;
    std::minstd_rand random_;

    Phase phase_ = Phase::waiting;
    core::Instant started_ = monotonic_now();
    core::Instant phase_since_{};
    core::Instant session_since_{};
    core::Instant retry_at_{};
    core::Duration retry_after_ = first_reconnection;
    int losses_in_a_row_ = 0;
    std::string last_trouble_;
    RateLimit connection_complaints_{complain_every};
    RateLimit complaints_{complain_every};

    std::array<InFlight, slots + 2> in_flight_{};  ///< the last two for the goodbye
    std::optional<core::Instant> answered_late_{};
    bool broken_ = false;
    int announced_ = 0;  ///< 0 nothing, 1 $state, 2 $description too
    std::optional<std::string> description_;
    std::vector<Cell> cells_;
    homie::Surroundings around_;
    bool urgent_ = true;  ///< an event, or another permit: what an operator must see goes now
    bool last_permit_ = false;
    core::State last_state_ = core::State::starting;
    core::Instant next_full_{};
    core::Instant next_summary_{};

    std::map<std::string, bool> raised_;    ///< alerts in this session -> published as latched
    std::map<std::string, bool> to_clear_;  ///< alerts of an earlier session, or over
    std::map<std::string, homie::Alert> trip_sentences_;
    bool urgent_alerts_ = false;
    core::Instant next_alerts_{};
    std::deque<std::pair<std::string_view, std::string>> log_;
    std::set<core::CommandKind> reflect_;

    std::optional<formats::JournalEntry> next_event_;
    std::uint64_t event_in_flight_ = 0;
    std::deque<std::string> recent_;  ///< delivered, oldest first
    std::string recalled_;            ///< the epoch in which that is done
    std::uint64_t next_recalled_ = 0;
    std::uint64_t events_missing_ = 0;

    std::optional<core::Instant> listening_since_;
    std::optional<core::Instant> sweep_until_;
    std::set<std::string> leftovers_;
    std::map<homie::Refusal, RateLimit> refused_;
    RateLimit too_many_{complain_every};
    RateLimit floods_{complain_every};
    std::uint64_t flooded_ = 0;
    int goodbyes_left_ = 0;
    bool gone_ = false;
};

Telemetry::Telemetry(const formats::Configuration& configuration, GuardView& guard, Place& place, std::string folder)
    : work_{std::make_shared<Work>(configuration, guard, place, std::move(folder))} {}

Telemetry::~Telemetry() {
    stop(monotonic_now() + 5s);
}

void Telemetry::start() {
    work_->thread_.start("telemetry", Thread::ordinary, [work = work_] { work->run(); });
}

std::uint64_t Telemetry::turns() const noexcept {
    return work_->turns_.load(std::memory_order_relaxed);
}

bool Telemetry::connected() const noexcept {
    return work_->connected_.load(std::memory_order_acquire);
}

bool Telemetry::stop(core::Instant deadline) {
    work_->deadline_.store(deadline.time_since_epoch().count(), std::memory_order_release);
    work_->stopping_.store(true, std::memory_order_release);
    work_->wake_.ring();
    const core::Duration left = deadline - monotonic_now();
    // What was to be said may have been said although the client itself still hangs.
    return work_->thread_.join(std::max(left, core::Duration::zero())) ||
           work_->finished_.load(std::memory_order_acquire);
}

}  // namespace dekeyd
