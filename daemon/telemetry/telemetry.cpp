#include "telemetry/telemetry.hpp"

#include <spdlog/spdlog.h>

#include <algorithm>

#include "base/log.hpp"
#include "base/thread.hpp"
#include "base/wall_clock.hpp"
#include "messages/feed.hpp"
#include "telemetry/command_intake.hpp"
#include "telemetry/event_delivery.hpp"
#include "telemetry/history_pieces.hpp"
#include "telemetry/published/alerts.hpp"
#include "telemetry/published/announcement.hpp"
#include "telemetry/published/discovery.hpp"
#include "telemetry/published/homie.hpp"
#include "telemetry/published/summaries.hpp"
#include "telemetry/published/values.hpp"
#include "telemetry/received/signal_intake.hpp"
#include "telemetry/session.hpp"
#include "telemetry/stale_topics.hpp"
#include "words/event_text.hpp"
#include "words/reason.hpp"

namespace dekeyd {
namespace {

using namespace std::chrono_literals;

constexpr core::Duration first_look = 1s;  ///< for the guard, before a session without it
constexpr core::Duration goodbye_at_most = 1s;

}  // namespace

/// One thread does all of it: takes in what the guard tells and what the broker answers, and says what has changed.
class Telemetry::Impl {
public:
    Impl(const formats::Configuration& configuration, GuardView& guard, DeliveredPlace& place, std::string folder)
        : wake_{guard.to_telemetry},
          configuration_{configuration},
          guard_{guard},
          folder_{std::move(folder)},
          nothing_known_{core::Protection::blank(configuration.plan)},
          device_{configuration},
          link_{wake_},
          outbox_{link_},
          session_{configuration, device_.permit_topic(), link_, [this] { end_session(); }},
          commands_{configuration.mqtt.value(), device_, guard, outbox_},
          events_{guard, place, outbox_, device_.event_topic()},
          alerts_{device_, outbox_},
          sentences_{device_, outbox_},
          announcement_{device_, folder_, outbox_},
          values_{configuration, device_, outbox_},
          summaries_{configuration, device_, send_each_second()},
          stale_topics_{device_, alerts_, outbox_, link_},
          discovery_{configuration, device_, folder_, outbox_},
          history_pieces_{configuration, guard, outbox_, link_},
          signal_{configuration, outbox_, link_} {}

    void run() noexcept {
        while (!stopping_.load(std::memory_order_acquire)) {
            turns_.fetch_add(1, std::memory_order_relaxed);
            try {
                pass(monotonic_now());
            } catch (const std::exception& error) {
                complain(error.what());
                session_.give_up(monotonic_now());
            }
            wake_.wait(monotonic_now() + formats::feed_period(configuration_.mqtt->fastest));
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
    void pass(core::Instant now) {
        take_in(now);
        for (auto news = link_.next(); news; news = link_.next()) hear(*news, now);
        if (link_.flooded() != flooded_) {
            flooded_ = link_.flooded();
            if (floods_.pass(now)) {
                spdlog::warn("messages come too fast: {} had no room so far{}", flooded_, floods_.since());
            }
        }
        // A guard that is just being found need not be said to be lost first.
        const bool looks = away_ && now - started_ < first_look;
        if (!looks || !session_.is_waiting()) session_.supervise(now);
        if (session_.stands() && outbox_.broker_is_silent(now)) session_.lose("the broker takes nothing any more", now);
        if (session_.stands()) speak(now);
    }

    // ---- from the guard ----

    /// What is published: of a guard that doesn't answer, nothing is known.
    [[nodiscard]] const core::Snapshot& shown() const noexcept {
        return away_ ? nothing_known_ : guard_.snapshots.value();
    }

    // The snapshot first: it is handed over before its events.
    void take_in(core::Instant now) {
        const bool anew = guard_.snapshots.take();
        storage_ = guard_.storage();
        const core::Snapshot& newest = guard_.snapshots.value();
        const bool away = !guard_.reachable() || now - newest.now > GuardView::silent_after;
        if (away != away_) {
            away_ = away;
            urgent_ = true;
            values_.make_due();
            summaries_.make_due();
            if (away) spdlog::error("the guard doesn't answer: published as lost, and permit as false");
            // The convention has no way from "lost" to "ready" but that all is said again.
            if (!away && session_.is_ready()) announce_anew(now);
        }
        if (anew && !away_) {
            using Seconds = std::chrono::duration<double>;
            history_pieces_.add(newest, Seconds{wall_stamp(newest.now).since_1970}.count());
        }
        for (; const core::Event* event = guard_.events.front(); guard_.events.pop()) take_in(*event, newest);
        if (shown().permit != last_permit_ || shown().state != last_state_) urgent_ = true;
        last_permit_ = shown().permit;
        last_state_ = shown().state;
    }

    void take_in(const core::Event& event, const core::Snapshot& newest) {
        urgent_ = true;
        std::string sentence = formats::sentence(configuration_.plan, event, newest.quantities_at(event.at));
        if (event.kind == core::EventKind::tripped) {
            const bool latched = newest.now == event.at && newest.causes[event.source].latched;
            alerts_.tripped(homie::alert_id(configuration_.plan, event.source), {sentence, latched});
        }
        const bool obeyed = event.kind == core::EventKind::held || event.kind == core::EventKind::released ||
                            event.kind == core::EventKind::reset;
        if (obeyed && event.origin == core::Origin::remote) sentences_.obeyed(event.command);
        // Without a session the journal keeps it.
        if (session_.stands()) sentences_.say(core::log_level_words.of(core::severity_of(event)), std::move(sentence));
    }

    void set_connected(bool connected) {
        connected_.store(connected, std::memory_order_release);
        guard_.broker.store(connected);
        guard_.to_guard.ring();
    }

    // ---- from the broker ----

    void hear(const LinkNews& news, core::Instant now) {
        switch (news.kind) {
            case LinkNews::Kind::connected:
                if (session_.begin(now)) begin_session();
                return;
            case LinkNews::Kind::refused: session_.refused(news.text, now); return;
            case LinkNews::Kind::lost: session_.lose(news.text, now); return;
            case LinkNews::Kind::done: done(outbox_.answered(news.slot, now), now); return;
            case LinkNews::Kind::failed: failed(outbox_.answered(news.slot, now), news.text, now); return;
            case LinkNews::Kind::message: listen(news.message, now); return;
            case LinkNews::Kind::gone: gone_ = true; return;
        }
    }

    void done(Purpose purpose, core::Instant now) {
        if (purpose == Purpose::event) events_.delivered();
        if (purpose == Purpose::subscription) commands_.subscribed(now);
        if (purpose == Purpose::discovery) discovery_.taken();
        if (purpose == Purpose::received) signal_.agreed();
    }

    void failed(Purpose purpose, const std::string& text, core::Instant now) {
        // The sweep only tidies up; a broker that lets us read nothing but commands is fine.
        if (purpose == Purpose::sweep || purpose == Purpose::none) return;
        if (purpose == Purpose::past) return history_pieces_.refused();
        if (purpose == Purpose::received) return signal_.refused(text);
        if (purpose == Purpose::discovery) return discovery_.refused(text);
        session_.lose((purpose == Purpose::subscription ? "the broker refused the subscription to commands: "
                                                        : "a message was not taken: ") +
                          text,
                      now);
    }

    void listen(const homie::Incoming& message, core::Instant now) {
        if (signal_.hear(message, shown().rf_present, now)) return;
        if (history_pieces_.hear(message)) return;
        if (message.topic.ends_with("/set")) {
            commands_.hear(message, now);
        } else if (message.retained && message.size > 0) {
            stale_topics_.hear(message.topic);
        }
    }

    // ---- the session's begin and end ----

    Summaries::Send send_each_second() {
        return [this](const homie::Property& property, const std::string& payload, core::Instant now) {
            return outbox_.send({.topic = property.topic,
                                 .payload = payload,
                                 .keep_free = Outbox::spare_slots,
                                 .qos = property.retained() ? 1 : 0,
                                 .retained = property.retained()},
                                now);
        };
    }

    void begin_session() {
        outbox_.clear();
        commands_.end_session();
        events_.begin_session();
        alerts_.begin_session();
        values_.begin_session();
        summaries_.begin_session();
        stale_topics_.begin_session();
        discovery_.begin_session();
        history_pieces_.begin_session();
        signal_.begin_session();
        announcement_.begin();
        said_away_ = false;
        sentences_.begin_session();
    }

    void end_session() {
        alerts_.end_session();  // knows from the outbox what is on its way
        outbox_.clear();
        events_.begin_session();
        commands_.end_session();
        set_connected(false);
    }

    // What is on its way stays so.
    void announce_anew(core::Instant now) {
        session_.announce_anew(now);
        values_.begin_session();
        summaries_.begin_session();
        announcement_.begin();
        said_away_ = false;
    }

    void complain(const char* text) noexcept {
        try {
            if (complaints_.pass(monotonic_now())) {
                spdlog::error("telemetry: {}; the connection is made anew{}", text, complaints_.since());
            }
        } catch (...) {
        }
    }

    // ---- to the broker ----

    void speak(core::Instant now) {
        if (!session_.is_ready()) announcement_.go_on([&] { return commands_.subscribe(now); }, now);
        if (announcement_.begun()) say_news(now);
        if (session_.is_ready()) {
            sentences_.send(now);
            if (!away_) events_.send_next(storage_, now);
            stale_topics_.send_removals(now);
            discovery_.send(now);
            history_pieces_.ask(now);
            history_pieces_.send(now);
            signal_.ask(now);
        } else if (announcement_.described() && alerts_.all_cleared() && values_.all_sent() && summaries_.sent() &&
                   commands_.hears_the_present(now) && say_state(now)) {
            // A command that follows "ready" is never late.
            session_.be_ready(now);
            set_connected(true);
            stale_topics_.ask(now);
        }
        if (outbox_.refused()) session_.lose("the client takes no message", now);
    }

    void say_news(core::Instant now) {
        const bool urgent = std::exchange(urgent_, false);
        if (urgent || values_.is_due(now) || summaries_.is_due(now)) look_around(now);
        if (!values_.send(shown(), around_, urgent, now)) urgent_ = true;
        if (session_.is_ready() && said_away_ != away_ && !say_state(now)) urgent_ = true;
        alerts_.send(shown(), around_.signal, away_, urgent, now);
        summaries_.send(shown(), around_, now);
    }

    /// "ready" while the guard answers.
    bool say_state(core::Instant now) {
        if (!outbox_.send({.topic = device_.state_topic(), .payload = away_ ? "lost" : "ready"}, now)) return false;
        said_away_ = away_;
        return true;
    }

    void look_around(core::Instant now) {
        around_.stamp = wall_stamp(now);
        around_.events_waiting = events_.waiting(storage_);
        around_.events_lost = events_.missing() + storage_.unwritten;
        around_.recent = events_.recent();
        around_.trips = events_.trips();
        tell_of(storage_, around_);
        around_.notes = away_ ? formats::Notes{} : guard_.notes();
        around_.reason = away_ ? std::string{guard_away}
                               : formats::reason(configuration_.plan, shown(), around_.notes, around_.stamp.since_1970);
        around_.signal = signal_.report(!away_, shown(), now);
        guard_.take_history(around_.kept);
        around_.proof = shown().proof.phase == core::ProofPhase::none ? storage_.proof : around_.reason;
    }

    void say_goodbye() {
        if (!session_.stands()) return;
        const core::Instant now = monotonic_now();
        const core::Instant until =
            std::min(now + goodbye_at_most, core::Instant{core::Duration{deadline_.load()}} - 200ms);
        if (!outbox_.say_goodbye(device_.permit_topic(), device_.state_topic(), now)) return;
        wait_for([this] { return outbox_.goodbye_taken(); }, until);
        // A clean end would take the will back, which says the same.
        if (outbox_.goodbye_taken() && link_.disconnect()) wait_for([this] { return gone_; }, until + 100ms);
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
    GuardView& guard_;
    std::string folder_;
    core::Snapshot nothing_known_;
    formats::FeedStorage storage_;
    homie::Device device_;
    MqttLink link_;
    Outbox outbox_;
    Session session_;
    CommandIntake commands_;
    EventDelivery events_;
    Alerts alerts_;
    Sentences sentences_;
    Announcement announcement_;
    Values values_;
    Summaries summaries_;
    StaleTopics stale_topics_;
    Discovery discovery_;
    HistoryPieces history_pieces_;
    SignalIntake signal_;

    core::Instant started_ = monotonic_now();
    bool away_ = true;        ///< the guard doesn't answer
    bool said_away_ = false;  ///< as `$state` says it in this session
    bool urgent_ = true;      ///< an event, or another permit: what an operator must see goes now
    bool last_permit_ = false;
    core::State last_state_ = core::State::starting;
    homie::Context around_;
    RateLimit complaints_{60s}, floods_{60s};
    std::uint64_t flooded_ = 0;
    bool gone_ = false;
};

Telemetry::Telemetry(const formats::Configuration& configuration, GuardView& guard, DeliveredPlace& place,
                     std::string folder)
    : impl_{std::make_shared<Impl>(configuration, guard, place, std::move(folder))} {}

Telemetry::~Telemetry() {
    stop(monotonic_now() + 5s);
}

void Telemetry::start() {
    impl_->thread_.start("telemetry", Thread::ordinary, [work = impl_] { work->run(); });
}

std::uint64_t Telemetry::turns() const noexcept {
    return impl_->turns_.load(std::memory_order_relaxed);
}

bool Telemetry::connected() const noexcept {
    return impl_->connected_.load(std::memory_order_acquire);
}

bool Telemetry::stop(core::Instant deadline) {
    impl_->deadline_.store(deadline.time_since_epoch().count(), std::memory_order_release);
    impl_->stopping_.store(true, std::memory_order_release);
    impl_->wake_.ring();
    const core::Duration left = deadline - monotonic_now();
    // What was to be said may have been said although the client itself still hangs.
    return impl_->thread_.join(std::max(left, core::Duration::zero())) ||
           impl_->finished_.load(std::memory_order_acquire);
}

}  // namespace dekeyd
