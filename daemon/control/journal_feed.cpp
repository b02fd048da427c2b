#include "control/journal_feed.hpp"

#include <spdlog/spdlog.h>

#include <algorithm>
#include <mutex>
#include <utility>

#include "base/thread.hpp"
#include "base/wall_clock.hpp"

namespace dekeyd {

using namespace std::chrono_literals;

/// Shared with the thread, so that one that hangs in the kernel never touches what is gone.
class JournalFeed::Impl {
public:
    Impl(const std::string& folder, const StorageState& state, Wake& to_tell, std::string captures)
        : reader_{folder}, captures_{std::move(captures)}, state_{state}, to_tell_{to_tell} {}

    void run() noexcept {
        while (!stopping_.load(std::memory_order_acquire)) {
            try {
                pass();
                pass_capture();
            } catch (const std::exception& error) {
                spdlog::error("the journal can't be read for those who follow it: {}", error.what());
            }
            wake_.wait(monotonic_now() + 1s);
        }
    }

    void ask(std::uint64_t after) {
        {
            const std::lock_guard lock{mutex_};
            asked_ = after;
            batch_.reset();
        }
        wake_.ring();
    }

    std::optional<Batch> take() {
        const std::lock_guard lock{mutex_};
        return std::exchange(batch_, std::nullopt);
    }

    void ask_capture(std::string name, std::uint64_t offset) {
        {
            const std::lock_guard lock{mutex_};
            wanted_ = formats::CapturePart{.name = std::move(name), .offset = offset};
            part_.reset();
        }
        wake_.ring();
    }

    std::optional<formats::CapturePart> take_capture() {
        const std::lock_guard lock{mutex_};
        return std::exchange(part_, std::nullopt);
    }

    Wake wake_;
    std::atomic<bool> stopping_{false};
    Thread thread_;

private:
    void pass() {
        std::optional<std::uint64_t> after;
        {
            const std::lock_guard lock{mutex_};
            after = std::exchange(asked_, std::nullopt);
        }
        if (!after || !state_.journal_open.load(std::memory_order_acquire)) return;
        Batch batch{.after = *after, .durable = state_.journal_durable.load(std::memory_order_acquire)};
        std::size_t bytes = 0;
        for (std::uint64_t next = *after + 1; batch.entries.size() < most_entries && bytes < most_bytes;) {
            auto entry = reader_.from(next, batch.durable);
            if (!entry) break;
            next = entry->number + 1;
            bytes += entry->text.size();
            batch.entries.push_back(*std::move(entry));
        }
        {
            const std::lock_guard lock{mutex_};
            if (!asked_) batch_ = std::move(batch);
        }
        to_tell_.ring();
    }

    void pass_capture() {
        std::optional<formats::CapturePart> wanted;
        {
            const std::lock_guard lock{mutex_};
            wanted = std::exchange(wanted_, std::nullopt);
        }
        if (!wanted || captures_.empty()) return;
        formats::CapturePart part = formats::capture_part(captures_, wanted->name, wanted->offset, most_of_capture);
        {
            const std::lock_guard lock{mutex_};
            if (!wanted_) part_ = std::move(part);
        }
        to_tell_.ring();
    }

    formats::JournalReader reader_;
    std::string captures_;
    const StorageState& state_;
    Wake& to_tell_;
    std::mutex mutex_;  ///< of the four below
    std::optional<std::uint64_t> asked_;
    std::optional<Batch> batch_;
    std::optional<formats::CapturePart> wanted_;
    std::optional<formats::CapturePart> part_;
};

JournalFeed::JournalFeed(const std::string& folder, const StorageState& state, Wake& to_tell, std::string captures)
    : impl_{std::make_shared<Impl>(folder, state, to_tell, std::move(captures))} {}

JournalFeed::~JournalFeed() {
    stop(monotonic_now() + 1s);
}

void JournalFeed::start() {
    impl_->thread_.start("journal feed", Thread::ordinary, [work = impl_] { work->run(); });
}

bool JournalFeed::stop(core::Instant deadline) {
    impl_->stopping_.store(true, std::memory_order_release);
    impl_->wake_.ring();
    return impl_->thread_.join(std::max(deadline - monotonic_now(), core::Duration::zero()));
}

void JournalFeed::ask(std::uint64_t after) {
    impl_->ask(after);
}

std::optional<JournalFeed::Batch> JournalFeed::take() {
    return impl_->take();
}

void JournalFeed::ask_capture(std::string name, std::uint64_t offset) {
    impl_->ask_capture(std::move(name), offset);
}

std::optional<formats::CapturePart> JournalFeed::take_capture() {
    return impl_->take_capture();
}

}  // namespace dekeyd
