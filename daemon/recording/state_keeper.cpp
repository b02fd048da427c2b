#include "recording/state_keeper.hpp"

#include <spdlog/spdlog.h>

#include <algorithm>
#include <mutex>
#include <utility>

#include "base/log.hpp"
#include "base/thread.hpp"
#include "base/wall_clock.hpp"
#include "store/state_slots.hpp"

namespace dekeyd {
namespace {

using namespace std::chrono_literals;

constexpr core::Duration look_every = 500ms;
constexpr core::Duration save_again_after = 1s;
constexpr core::Duration state_complain_every = 60s;

}  // namespace

/// Shared with the threads, so that one that hangs in the kernel never touches what is gone.
class StateKeeper::Impl {
public:
    Impl(const formats::Configuration& configuration, formats::StoredState begun, Newest<core::Snapshot>& snapshots,
         StorageState& state, Hooks hooks)
        : configuration_{configuration},
          snapshots_{snapshots},
          state_{state},
          hooks_{std::move(hooks)},
          slots_{configuration.state_directory},
          copy_{configuration.run_directory},
          begun_{begun.memory},
          wanted_{std::move(begun)} {
        state_.notes.begin(wanted_.notes);
        wanted_.running = true;
        ++wanted_.sequence;
        state_.unsaved_since.store(monotonic_now());
    }

    // ---- the first thread: into the run folder, which is memory ----

    void copy() noexcept {
        guarded([this] { complain(copy_.prepare(configuration_.plan), copy_complaints_); });
        while (!stopping_.load(std::memory_order_acquire)) {
            look();
            look_wake_.wait(monotonic_now() + look_every);
        }
        look();
        const std::lock_guard lock{mutex_};
        wanted_.running = false;
        ++wanted_.sequence;
        last_ = true;
        save_wake_.ring();
    }

    // ---- the second thread: may hang for as long as the storage likes ----

    void save() noexcept {
        while (!last_saved_) {
            try {
                save_next();
            } catch (const std::exception& error) {  // no memory
                failed(error.what());
            }
        }
    }

    /// The last state is not on the storage, or not known to be: the next start must see that. False: nothing of this
    /// run's is missing there, for nothing changed before the storage would have taken its start.
    bool leave_unsaved() noexcept {
        const std::lock_guard lock{mutex_};
        if (durable_sequence_ == 0 && wanted_.memory == begun_) return false;
        guarded([this] {
            formats::StoredState left = wanted_;
            ++left.sequence;
            complain(copy_.write(configuration_.plan, left), copy_complaints_);
        });
        return true;
    }

    Wake look_wake_, save_wake_;
    std::atomic<bool> stopping_{false};
    std::atomic<bool> all_saved_{false};
    Thread copy_thread_, save_thread_;

private:
    /// Impl on the copy, which may find no memory.
    template <class Piece>
    void guarded(Piece piece) noexcept {
        try {
            piece();
        } catch (const std::exception& error) {
            complain(error.what(), copy_complaints_);
        }
    }

    void look() noexcept {
        guarded([this] {
            snapshots_.take();
            const core::Snapshot& snapshot = snapshots_.value();
            if (snapshot.sequence == 0) return;  // nothing was decided yet
            if (snapshot.memory.locked_out && !wanted_.memory.locked_out)
                state_.notes.put_lockout(formats::note_of(wall_stamp(snapshot.now)));
            // After the snapshot: a hold that is in it has its note here already.
            formats::Notes notes = state_.notes.of(snapshot.memory);
            if (snapshot.memory == wanted_.memory && notes == wanted_.notes) return seen(snapshot.now);
            formats::StoredState changed = wanted_;
            changed.memory = snapshot.memory;
            changed.notes = std::move(notes);
            ++changed.sequence;
            complain(copy_.write(configuration_.plan, changed), copy_complaints_);
            const std::lock_guard lock{mutex_};
            wanted_ = std::move(changed);
            if (state_.unsaved_since.load() == core::Instant{}) state_.unsaved_since.store(monotonic_now());
            save_wake_.ring();
        });
    }

    /// The state that is to be saved was still the newest at `now`.
    void seen(core::Instant now) {
        const std::lock_guard lock{mutex_};
        if (durable_sequence_ == wanted_.sequence) state_.saved_through.store(now);
    }

    void save_next() {
        std::unique_lock lock{mutex_};
        const formats::StoredState wanted = wanted_;
        const bool last = last_;
        lock.unlock();
        if (wanted.sequence == durable_) return save_wake_.wait(core::Instant::max());
        if (!last && monotonic_now() < save_at_) return save_wake_.wait(save_at_);
        last_saved_ = last;
        save(wanted);
    }

    void save(const formats::StoredState& wanted) {
        if (hooks_.begin) std::exchange(hooks_.begin, {})();
        const std::string text = slots_.save(configuration_.plan, wanted);
        if (!text.empty()) return failed(text);
        complain(formats::tell_saved(configuration_.run_directory, wanted.sequence), save_complaints_);
        durable_ = wanted.sequence;
        {
            const std::lock_guard lock{mutex_};
            durable_sequence_ = durable_;
            if (wanted_.sequence == durable_) state_.unsaved_since.store({});
        }
        look_wake_.ring();
        all_saved_.store(!wanted.running, std::memory_order_release);
        if (state_.state_failing.exchange(false)) {
            save_complaints_ = RateLimit{state_complain_every};
            spdlog::info("the storage takes the state again");
        }
        if (hooks_.noted && wanted.running) std::exchange(hooks_.noted, {})();
    }

    void failed(const std::string& text) noexcept {
        save_at_ = monotonic_now() + save_again_after;
        state_.failed_writes.fetch_add(1, std::memory_order_relaxed);
        state_.state_failing.store(true);
        complain(text, save_complaints_);
    }

    static void complain(const std::string& text, RateLimit& complaints) noexcept {
        if (text.empty() || !complaints.pass(monotonic_now())) return;
        try {
            spdlog::error(
                "latches and holds are not saved: {} (tried again; the line is guarded all the same, and a restart may "
                "find them missing){}",
                text, complaints.since());
        } catch (...) {
        }
    }

    const formats::Configuration& configuration_;
    Newest<core::Snapshot>& snapshots_;
    StorageState& state_;
    Hooks hooks_;
    formats::StateSlots slots_;
    formats::StateCopy copy_;
    const core::Memory begun_;
    std::mutex mutex_;             ///< of the three below; held for no call that may block
    formats::StoredState wanted_;  ///< written by the first thread alone
    std::uint64_t durable_sequence_ = 0;
    bool last_ = false;
    std::uint64_t durable_ = 0;  ///< from here on the second thread's
    bool last_saved_ = false;    ///< or tried for the last time
    core::Instant save_at_{};
    RateLimit copy_complaints_{state_complain_every}, save_complaints_{state_complain_every};
};

StateKeeper::StateKeeper(const formats::Configuration& configuration, formats::StoredState begun,
                         Newest<core::Snapshot>& snapshots, StorageState& state, Hooks hooks)
    : impl_{std::make_shared<Impl>(configuration, std::move(begun), snapshots, state, std::move(hooks))} {}

StateKeeper::~StateKeeper() {
    stop(monotonic_now() + 2s);
}

void StateKeeper::start() {
    impl_->copy_thread_.start("keeper", Thread::ordinary, [work = impl_] { work->copy(); });
    impl_->save_thread_.start("state", Thread::ordinary, [work = impl_] { work->save(); });
}

Wake& StateKeeper::wake() noexcept {
    return impl_->look_wake_;
}

void StateKeeper::begin_stop() noexcept {
    impl_->stopping_.store(true, std::memory_order_release);
    impl_->look_wake_.ring();
}

bool StateKeeper::stop(core::Instant deadline) {
    begin_stop();
    const auto left = [&] { return std::max(deadline - monotonic_now(), core::Duration::zero()); };
    const bool copied = impl_->copy_thread_.join(left());
    const bool saved = impl_->save_thread_.join(left()) && impl_->all_saved_.load(std::memory_order_acquire);
    return saved || (copied && !impl_->leave_unsaved());
}

}  // namespace dekeyd
