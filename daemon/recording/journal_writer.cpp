#include "recording/journal_writer.hpp"

#include <fmt/format.h>
#include <spdlog/spdlog.h>

#include <algorithm>
#include <deque>
#include <mutex>
#include <nlohmann/json.hpp>
#include <utility>

#include "base/thread.hpp"
#include "base/wall_clock.hpp"
#include "store/journal.hpp"
#include "store/proof_record.hpp"
#include "words/event_text.hpp"

namespace dekeyd {
namespace {

using namespace std::chrono_literals;

constexpr core::Duration save_look_every = 500ms;
constexpr core::Duration retry_proof_after = 1s;
constexpr core::Duration retry_journal_after = 5s;
constexpr core::Duration save_complaint_every = 60s;
constexpr std::size_t most_transmissions = 100;
constexpr std::size_t most_pending = 2000;  ///< about a megabyte

}  // namespace

/// Shared with the thread, so that one that hangs in the kernel never touches what is gone.
class JournalWriter::Impl {
public:
    Impl(const formats::Configuration& configuration, Ring<core::Event>& events, Newest<core::Snapshot>& snapshots,
         StorageState& state, Wake& to_tell)
        : configuration_{configuration},
          events_{events},
          snapshots_{snapshots},
          state_{state},
          to_tell_{to_tell},
          journal_{configuration.state_directory + "/journal"} {}

    void run() noexcept {
        while (!stopping_.load(std::memory_order_acquire)) {
            pass(false);
            wake_.wait(monotonic_now() + save_look_every);
        }
        pass(true);
    }

    void tell_transmission(const formats::Transmission& transmission) {
        const std::lock_guard lock{transmissions_mutex_};
        if (transmissions_.size() < most_transmissions) {
            transmissions_.push_back(transmission);
        } else {
            state_.unwritten.fetch_add(1, std::memory_order_relaxed);
        }
        wake_.ring();
    }

    Wake wake_;
    std::atomic<bool> stopping_{false};
    std::atomic<bool> all_written_{false};
    Thread thread_;

private:
    struct Pending {
        core::Event event;
        formats::WallStamp stamp;
        std::string sentence;
        std::optional<formats::Transmission> transmission;
    };

    void pass(bool last) noexcept {
        try {
            take_in();
            save_proof();
            write_events(last);
            all_written_.store(last && pending_.empty(), std::memory_order_release);
        } catch (const std::exception& error) {
            trouble(error.what());
        }
    }

    // Each event meets the snapshot of its own step if that is still to be had. (Captures, the transmission log and
    // the hourly lines belong here too: they are fed by the same two streams.)
    void take_in() {
        while (const core::Event* event = events_.front()) {
            if (snapshots_.value().now < event->at) snapshots_.take();
            Pending pending{.event = *event, .stamp = wall_stamp(event->at), .sentence = {}, .transmission = {}};
            events_.pop();
            if (pending.event.kind == core::EventKind::proof_passed) {
                proved_s_ = std::chrono::duration_cast<std::chrono::seconds>(pending.stamp.since_1970).count();
                state_.proved_at_s.store(proved_s_);
            }
            pending.sentence =
                state_.notes.with_reason(formats::sentence(configuration_.plan, pending.event,
                                                           snapshots_.value().quantities_at(pending.event.at)),
                                         pending.event);
            wait_for_disk(std::move(pending));
        }
        take_transmissions();
    }

    void wait_for_disk(Pending pending) {
        if (pending_.size() >= most_pending) {
            pending_.pop_front();
            state_.unwritten.fetch_add(1, std::memory_order_relaxed);
        }
        pending_.push_back(std::move(pending));
    }

    void take_transmissions() {
        std::deque<formats::Transmission> told;
        {
            const std::lock_guard lock{transmissions_mutex_};
            told.swap(transmissions_);
        }
        for (formats::Transmission& transmission : told) {
            snapshots_.take();
            core::Event event;
            event.at = monotonic_now();
            event.state = snapshots_.value().state;
            std::string sentence = formats::sentence(transmission);
            wait_for_disk({.event = event,
                           .stamp = wall_stamp(event.at),
                           .sentence = std::move(sentence),
                           .transmission = std::move(transmission)});
        }
    }

    void save_proof() {
        const core::Instant now = monotonic_now();
        if (proved_s_ == 0 || now < try_proof_at_) return;
        const std::string text = formats::save_proof(configuration_.state_directory, proved_s_);
        if (text.empty()) {
            proved_s_ = 0;
            return well();
        }
        try_proof_at_ = now + retry_proof_after;
        trouble("the proof test's date is not durable: " + text);
    }

    void write_events(bool last) {
        const core::Instant now = monotonic_now();
        if (!last && now < try_journal_at_) return;
        const auto fail = [&](const std::string& text) {
            try_journal_at_ = now + retry_journal_after;
            trouble("events are not durable: " + text);
        };
        if (!journal_.is_open()) {
            if (const std::string text = journal_.open(); !text.empty()) return fail(text);
            if (journal_.repaired_bytes() > 0) {
                spdlog::warn("the journal ended in {} bytes of a torn write, which were cut off",
                             journal_.repaired_bytes());
            }
            state_.journal_epoch.store(formats::epoch_number(journal_.epoch()), std::memory_order_release);
            publish_journal();
            state_.journal_open.store(true, std::memory_order_release);
        }
        if (pending_.empty()) return well();
        const std::uint64_t durable_before = journal_.durable();
        std::string text;
        for (auto next = pending_.begin(); next != pending_.end() && text.empty(); ++next) {
            text = journal_.append(line(*next));
        }
        const std::string sync_text = journal_.sync();
        if (text.empty()) text = sync_text;
        // Also after a failure: a segment that was full on the way is durable, and its events must not go in twice.
        const auto durable = static_cast<std::ptrdiff_t>(journal_.durable() - durable_before);
        pending_.erase(pending_.begin(), pending_.begin() + durable);
        publish_journal();
        to_tell_.ring();
        if (!text.empty()) return fail(text);
        well();
    }

    // The journal's number replaces the one since this start, which stays beside it.
    [[nodiscard]] std::string line(const Pending& pending) const {
        nlohmann::ordered_json json{{"epoch", journal_.epoch()}};
        const nlohmann::ordered_json body = formats::event_json(configuration_.plan, pending.event, pending.stamp);
        for (const auto& [key, value] : body.items()) json[key] = value;
        json["number"] = journal_.next_number();
        json["text"] = pending.sentence;
        json["since_start"] = pending.event.number;
        if (pending.transmission) {
            json["kind"] = "transmission";
            json["transmission"] = formats::to_json(*pending.transmission);
        }
        return json.dump(-1, ' ', false, nlohmann::json::error_handler_t::replace);
    }

    void publish_journal() { state_.journal_durable.store(journal_.durable(), std::memory_order_release); }

    void trouble(std::string_view text) noexcept {
        state_.failed_writes.fetch_add(1, std::memory_order_relaxed);
        state_.failing.store(true, std::memory_order_relaxed);
        const core::Instant now = monotonic_now();
        if (now < complain_at_) return;
        complain_at_ = now + save_complaint_every;
        try {
            spdlog::error("{} (protection is not affected; tried again)", text);
        } catch (...) {
        }
    }

    void well() noexcept {
        if (!pending_.empty() || proved_s_ != 0 || !state_.failing.load(std::memory_order_relaxed)) return;
        state_.failing.store(false, std::memory_order_relaxed);
        complain_at_ = {};
        try {
            spdlog::info("the storage takes writes again; {} events were lost meanwhile",
                         state_.unwritten.load(std::memory_order_relaxed));
        } catch (...) {
        }
    }

    const formats::Configuration& configuration_;
    Ring<core::Event>& events_;
    Newest<core::Snapshot>& snapshots_;
    StorageState& state_;
    Wake& to_tell_;
    formats::Journal journal_;
    std::deque<Pending> pending_;
    std::mutex transmissions_mutex_;
    std::deque<formats::Transmission> transmissions_;  ///< that were told
    std::int64_t proved_s_ = 0;                        ///< a proof's date that isn't durable yet
    core::Instant try_proof_at_{};
    core::Instant try_journal_at_{};
    core::Instant complain_at_{};
};

JournalWriter::JournalWriter(const formats::Configuration& configuration, Ring<core::Event>& events,
                             Newest<core::Snapshot>& snapshots, StorageState& state, Wake& to_tell)
    : impl_{std::make_shared<Impl>(configuration, events, snapshots, state, to_tell)} {}

JournalWriter::~JournalWriter() {
    stop(monotonic_now() + 2s);
}

void JournalWriter::start() {
    impl_->thread_.start("journal", Thread::ordinary, [work = impl_] { work->run(); });
}

Wake& JournalWriter::wake() noexcept {
    return impl_->wake_;
}

void JournalWriter::tell_transmission(const formats::Transmission& transmission) {
    impl_->tell_transmission(transmission);
}

bool JournalWriter::stop(core::Instant deadline) {
    impl_->stopping_.store(true, std::memory_order_release);
    impl_->wake_.ring();
    const core::Duration left = deadline - monotonic_now();
    return impl_->thread_.join(std::max(left, core::Duration::zero())) &&
           impl_->all_written_.load(std::memory_order_acquire);
}

}  // namespace dekeyd
