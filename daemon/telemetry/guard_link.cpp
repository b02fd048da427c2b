#include "telemetry/guard_link.hpp"

#include <fmt/format.h>
#include <poll.h>
#include <spdlog/spdlog.h>

#include <algorithm>
#include <array>
#include <nlohmann/json.hpp>
#include <utility>

#include "base/connection.hpp"
#include "base/log.hpp"
#include "base/thread.hpp"
#include "base/wall_clock.hpp"
#include "messages/snapshot_json.hpp"

namespace dekeyd {

using namespace std::chrono_literals;

namespace {

constexpr int look_every_ms = 250;
constexpr int retry_after_ms = 250;
constexpr core::Duration line_at_most = 3s;  ///< for a line of the guard's: it sends five a second
constexpr core::Duration complain_again_after = 60s;

}  // namespace

/// Shared with the thread, which may outlive the link.
class GuardLink::Impl {
public:
    Impl(const formats::Configuration& configuration, std::string version, GuardView& view)
        : configuration_{configuration},
          version_{std::move(version)},
          sum_{formats::configuration_sum(configuration.text)},
          view_{view} {
        static_cast<void>(view_.to_guard.descriptor());
    }

    void run() noexcept {
        while (!stopping_.load(std::memory_order_acquire)) {
            try {
                follow();
            } catch (const std::exception& error) {
                complain(error.what());
            }
            leave();
            turns_.fetch_add(1, std::memory_order_relaxed);
            wait(-1, retry_after_ms);
        }
    }

    std::atomic<bool> stopping_{false};
    std::atomic<Match> match_{Match::unknown};
    std::atomic<std::uint64_t> turns_{0}, found_{0};
    mutable std::mutex mutex_;
    std::string guards_sum_;
    Thread thread_;

private:
    void follow() {
        Connection guard{configuration_.run_directory + "/telemetry"};
        guard.send(R"({"ask":"follow"})");
        told_broker_.reset();
        core::Instant heard = monotonic_now();
        while (!stopping_.load(std::memory_order_acquire)) {
            turns_.fetch_add(1, std::memory_order_relaxed);
            if (!wait_for_lines(guard, heard)) return;
            if (match_.load() != Match::yes) continue;
            speak(guard);
        }
    }

    // Lines first: what waits in the connection's own store isn't seen by poll().
    bool wait_for_lines(Connection& guard, core::Instant& heard) {
        auto line = guard.receive(0ms);
        if (!line) {
            wait(guard.descriptor(), look_every_ms);
            line = guard.receive(0ms);
        }
        const core::Instant now = monotonic_now();
        if (line) heard = now;
        for (; line; line = guard.receive(0ms)) {
            if (!hear(*line)) return false;
        }
        if (now - heard < line_at_most) return true;
        complain(fmt::format("{}/telemetry: the guard says nothing; is it hung?", configuration_.run_directory));
        return false;
    }

    bool hear(const std::string& text) {
        formats::FeedLine line = formats::parse_feed_line(text);
        if (line.hello) return greet(*line.hello);
        if (line.error) {
            complain("the guard refuses: " + *line.error);
            return match_.load() == Match::yes;
        }
        if (match_.load() != Match::yes) return true;
        if (line.events) {
            view_.journal.put(*std::move(line.events));
            view_.to_telemetry.ring();
        }
        if (line.capture) {
            view_.put_capture(*std::move(line.capture));
            view_.to_telemetry.ring();
        }
        if (line.feed) take(*std::move(line.feed));
        return true;
    }

    bool greet(const formats::FeedHello& hello) {
        {
            const std::lock_guard lock{mutex_};
            guards_sum_ = hello.configuration;
        }
        if (hello.version != version_) {
            match_.store(Match::other_version);
            complain(
                fmt::format("the guard is of version {}, this is {}: nothing is published; expected both of one "
                            "package: restart dekeyd and dekeyd-telemetry",
                            hello.version, version_));
            return false;
        }
        if (hello.configuration != sum_) {
            match_.store(Match::other_configuration);
            complain(
                "the guard runs with another configuration than this one: nothing is published; expected the same "
                "file: restart dekeyd after a change of it");
            return false;
        }
        found_.fetch_add(1, std::memory_order_release);
        match_.store(Match::yes);
        view_.journal.forget();
        view_.set_reachable(true);
        spdlog::info("connected to the guard");
        return true;
    }

    // The snapshot first: its events are to find it.
    void take(formats::Feed feed) {
        core::Snapshot& draft = view_.snapshots.draft();
        if (!formats::take_words(feed.snapshot, draft)) throw Unreachable("the guard's snapshot is damaged");
        if (feed.history) {
            LatestHistory::Kept kept;
            for (std::size_t i = 0; i < std::min(kept.captures.size(), feed.history->captures.size()); ++i)
                kept.captures[i] = std::move(feed.history->captures[i]);
            kept.transmissions = std::move(feed.history->transmissions);
            kept.on_disk = std::move(feed.history->on_disk);
            view_.put_history(std::move(kept));
        }
        view_.put_storage(std::move(feed.storage));
        view_.put_notes(std::move(feed.notes));
        view_.snapshots.publish();
        for (const std::string& words : feed.events) {
            core::Event event;
            if (!formats::take_words(words, event)) throw Unreachable("an event of the guard's is damaged");
            view_.events.push(event);
        }
        view_.to_telemetry.ring();
    }

    void speak(Connection& guard) {
        for (const homie::Asked& asked : view_.take_commands())
            guard.send(formats::to_line({{"ask", core::text(asked.kind)}, {"reason", asked.reason}}));
        if (const bool broker = view_.broker.load(); told_broker_ != broker) {
            told_broker_ = broker;
            guard.send(fmt::format(R"({{"ask":"report","broker":{}}})", broker));
        }
        if (const auto wanted = view_.take_wanted_capture())
            guard.send(formats::to_line({{"ask", "capture"}, {"name", wanted->first}, {"offset", wanted->second}}));
        if (const auto after = view_.journal.wanted(monotonic_now()))
            guard.send(fmt::format(R"({{"ask":"events","after":{}}})", *after));
    }

    void leave() {
        if (match_.load() == Match::yes) match_.store(Match::unknown);
        view_.set_reachable(false);
        view_.journal.forget();
        view_.to_telemetry.ring();
    }

    /// For the guard's descriptor (none: -1), or a ring from this program.
    void wait(int descriptor, int at_most_ms) {
        std::array<pollfd, 2> watched{pollfd{.fd = view_.to_guard.descriptor(), .events = POLLIN, .revents = 0},
                                      pollfd{.fd = descriptor, .events = POLLIN, .revents = 0}};
        ::poll(watched.data(), watched.size(), at_most_ms);
        view_.to_guard.hear();
    }

    void complain(const std::string& text) noexcept {
        try {
            const bool new_one = std::exchange(last_complaint_, text) != text;
            if (complaints_.pass(monotonic_now()) || new_one) spdlog::warn("{}{}", text, complaints_.since());
        } catch (...) {
        }
    }

    const formats::Configuration& configuration_;
    std::string version_, sum_;
    GuardView& view_;
    std::optional<bool> told_broker_;
    std::string last_complaint_;
    RateLimit complaints_{complain_again_after};
};

GuardLink::GuardLink(const formats::Configuration& configuration, std::string version, GuardView& view)
    : impl_{std::make_shared<Impl>(configuration, std::move(version), view)} {}

GuardLink::~GuardLink() {
    stop(monotonic_now() + 6s);
}

void GuardLink::start() {
    impl_->thread_.start("guard link", Thread::ordinary, [work = impl_] { work->run(); });
}

bool GuardLink::stop(core::Instant deadline) {
    impl_->stopping_.store(true, std::memory_order_release);
    return impl_->thread_.join(std::max(deadline - monotonic_now(), core::Duration::zero()));
}

GuardLink::Match GuardLink::match() const noexcept {
    return impl_->match_.load();
}

std::string GuardLink::guards_configuration() const {
    const std::lock_guard lock{impl_->mutex_};
    return impl_->guards_sum_;
}

std::uint64_t GuardLink::found() const noexcept {
    return impl_->found_.load(std::memory_order_acquire);
}

std::uint64_t GuardLink::turns() const noexcept {
    return impl_->turns_.load(std::memory_order_relaxed);
}

}  // namespace dekeyd
