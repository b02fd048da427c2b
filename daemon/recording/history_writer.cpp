#include "recording/history_writer.hpp"

#include <spdlog/spdlog.h>

#include <algorithm>
#include <chrono>
#include <deque>
#include <filesystem>
#include <mutex>
#include <nlohmann/json.hpp>

#include "base/durable_file.hpp"
#include "base/handover.hpp"
#include "base/log.hpp"
#include "base/thread.hpp"
#include "base/wall_clock.hpp"
#include "base/wall_time.hpp"
#include "recording/recorder.hpp"
#include "store/captures/store.hpp"
#include "store/checked_rows.hpp"

namespace dekeyd {
namespace {

using namespace std::chrono_literals;

constexpr core::Duration follow_every = 250ms;
constexpr core::Duration write_look_every = 1s;
constexpr core::Duration retry_after = 5s;
constexpr std::size_t most_waiting_bytes = 8UL * 1024 * 1024;
constexpr std::size_t most_waiting = 2000;
constexpr std::size_t most_listed = 100;  ///< captures, for those who read by MQTT
constexpr std::size_t most_months = 36;   ///< of each log

}  // namespace

/// Shared with the threads, so that one that hangs in the kernel never touches what is gone.
class HistoryWriter::Impl {
public:
    Impl(const formats::Configuration& configuration, std::string version, core::Memory memory, bool unclean_start,
         StepQueue& steps, HistoryState& state, Tell on_transmission, RecordingFeed* recording, LatestHistory* latest)
        : configuration_{configuration},
          on_transmission_{std::move(on_transmission)},
          recording_{recording},
          latest_{latest},
          steps_{steps},
          state_{state},
          recorder_{configuration,        std::move(version), std::move(memory), unclean_start, &wall_stamp,
                    /*start_noted=*/false},
          captures_{configuration.state_directory + "/captures", configuration.recorder.most_captures,
                    configuration.recorder.most_bytes} {}

    // ---- the recorder's thread: memory only ----

    void follow() noexcept {
        while (!stopping_.load(std::memory_order_acquire)) {
            follow_steps();
            follow_wake_.wait(monotonic_now() + follow_every);
        }
        follow_steps();
        try {
            recorder_.stop();
            hand_over();
        } catch (const std::exception& error) {
            trouble(error.what());
        }
        all_followed_.store(true, std::memory_order_release);
        write_wake_.ring();
    }

    // ---- the writer's thread: may hang for as long as the storage likes ----

    void write() noexcept {
        recall_transmissions();
        tell_on_disk();
        while (!all_followed_.load(std::memory_order_acquire)) {
            if (monotonic_now() >= try_at_) write_waiting();
            write_wake_.wait(monotonic_now() + write_look_every);
        }
        write_waiting();
        const std::lock_guard lock{mutex_};
        all_written_.store(waiting_.empty(), std::memory_order_release);
    }

    Wake follow_wake_, write_wake_;
    std::atomic<bool> stopping_{false}, all_followed_{false}, all_written_{false};
    Thread follow_thread_, write_thread_;

private:
    void follow_steps() noexcept {
        try {
            begin_recording();
            while (steps_.take(step_)) {
                recorder_.follow(step_);
                if (!recorder_.ready().empty()) hand_over();
            }
            hand_on_recording();
            state_.lost_steps.store(std::max(recorder_.lost(), steps_.lost()), std::memory_order_relaxed);
            if (recorder_.differing() > 0 && !told_differing_) {
                told_differing_ = true;
                spdlog::warn(
                    "the recorder decided otherwise than the guard ({} steps lost before): captures from here "
                    "on may not replay exactly; protection is not affected",
                    recorder_.lost());
            }
        } catch (const std::exception& error) {
            trouble(error.what());
        }
    }

    void begin_recording() {
        if (recording_ == nullptr || recording_running_) return;
        const auto length = recording_->begin();
        if (!length) return;
        recorder_.start_recording(*length);
        recording_running_ = true;
    }

    void hand_on_recording() {
        if (!recording_running_) return;
        bool ended = false;
        const std::string text = recorder_.recorded(ended);
        const bool wanted = recording_->put(text, ended);
        if (!wanted) recorder_.stop_recording();
        recording_running_ = wanted && !ended;
    }

    // The oldest go first when there is no room, never the newest.
    void hand_over() {
        for (const Record& record : recorder_.ready()) {
            if (record.transmission && on_transmission_) on_transmission_(*record.transmission);
            if (latest_ != nullptr) tell_latest(record);
        }
        {
            const std::lock_guard lock{mutex_};
            for (Record& record : recorder_.ready()) {
                waiting_bytes_ += record.text.size();
                waiting_.push_back(std::move(record));
            }
            while (waiting_.size() > 1 && (waiting_bytes_ > most_waiting_bytes || waiting_.size() > most_waiting)) {
                waiting_bytes_ -= waiting_.front().text.size();
                waiting_.pop_front();
                ++first_number_;
                state_.dropped.fetch_add(1, std::memory_order_relaxed);
            }
            state_.waiting.store(waiting_.size(), std::memory_order_relaxed);
        }
        recorder_.ready().clear();
        write_wake_.ring();
    }

    void tell_latest(const Record& record) {
        if (record.kind == Record::Kind::capture) latest_->put_capture(record.outline);
        if (record.transmission) latest_->put_transmission(json_text(*record.transmission));
    }

    static std::string json_text(const formats::Transmission& transmission) {
        return formats::to_json(transmission).dump(-1, ' ', false, nlohmann::json::error_handler_t::replace);
    }

    /// This month's, from the log; a restart shall not hide what was sent today.
    void recall_transmissions() noexcept {
        if (latest_ == nullptr) return;
        try {
            const std::string month = formats::to_iso(wall_stamp(monotonic_now()).since_1970).substr(0, 7);
            const formats::Rows all =
                formats::read_rows(configuration_.state_directory + "/log/transmissions-" + month + ".csv");
            std::vector<std::string> last;
            const std::size_t begin = all.rows.size() - std::min(all.rows.size(), LatestHistory::most_transmissions);
            for (std::size_t i = begin; i < all.rows.size(); ++i) {
                if (const auto one = formats::transmission_from_row(all.rows[i].text)) last.push_back(json_text(*one));
            }
            latest_->put_earlier_transmissions(std::move(last));
        } catch (const std::exception& error) {
            trouble(error.what());
        }
    }

    void tell_on_disk() noexcept {
        if (latest_ == nullptr) return;
        try {
            latest_->put_on_disk(formats::capture_list(configuration_.state_directory + "/captures", most_listed));
        } catch (const std::exception& error) {
            trouble(error.what());
        }
    }

    void write_waiting() noexcept {
        try {
            for (;;) {
                Record record;
                std::uint64_t number = 0;
                {
                    const std::lock_guard lock{mutex_};
                    if (waiting_.empty()) return;
                    record = waiting_.front();
                    number = first_number_;
                }
                if (const std::string text = put(record); !text.empty()) {
                    try_at_ = monotonic_now() + retry_after;
                    return trouble(text);
                }
                const std::lock_guard lock{mutex_};
                // It may have been pushed out meanwhile.
                if (!waiting_.empty() && first_number_ == number) {
                    waiting_bytes_ -= waiting_.front().text.size();
                    waiting_.pop_front();
                    ++first_number_;
                }
                state_.waiting.store(waiting_.size(), std::memory_order_relaxed);
            }
        } catch (const std::exception& error) {
            trouble(error.what());
        }
    }

    std::string put(const Record& record) {
        if (record.kind == Record::Kind::capture) {
            std::string text = captures_.save(record.name, record.text);
            if (text.empty()) {
                state_.captures.fetch_add(1, std::memory_order_relaxed);
                tell_on_disk();
                spdlog::info("the trip is kept in {}", captures_.last());
            }
            return text;
        }
        const std::string folder = configuration_.state_directory + "/log";
        if (std::string text = formats::make_folder(folder); !text.empty()) return text;
        const std::string kind = record.kind == Record::Kind::hour ? "hours-" : "transmissions-";
        const std::string path = folder + "/" + kind + record.name + ".csv";
        std::error_code ignored;
        const bool is_new = !std::filesystem::exists(path, ignored);
        std::string text = formats::append_row(path, record.columns, record.text);
        if (text.empty() && is_new) remove_old(folder, kind);
        return text;
    }

    static void remove_old(const std::string& folder, const std::string& kind) {
        std::vector<std::string> paths;
        std::error_code error;
        for (std::filesystem::directory_iterator it{folder, error}, end; !error && it != end; it.increment(error)) {
            if (it->path().filename().string().starts_with(kind)) paths.push_back(it->path().string());
        }
        std::sort(paths.begin(), paths.end());
        for (std::size_t i = 0; i + most_months < paths.size(); ++i) std::filesystem::remove(paths[i], error);
    }

    void trouble(const std::string& text) noexcept {
        state_.failed_writes.fetch_add(1, std::memory_order_relaxed);
        try {
            const std::lock_guard lock{complaints_mutex_};
            if (complaints_.pass(monotonic_now())) {
                spdlog::error("{} (kept in memory and tried again; protection is not affected){}", text,
                              complaints_.since());
            }
        } catch (...) {
        }
    }

    const formats::Configuration& configuration_;
    Tell on_transmission_;
    RecordingFeed* recording_;
    LatestHistory* latest_;
    bool recording_running_ = false;
    StepQueue& steps_;
    HistoryState& state_;
    Recorder recorder_;
    formats::RecordedStep step_;
    bool told_differing_ = false;
    formats::CaptureStore captures_;
    core::Instant try_at_{};
    std::mutex mutex_;  ///< of the three below
    std::deque<Record> waiting_;
    std::size_t waiting_bytes_ = 0;
    std::uint64_t first_number_ = 0;  ///< of waiting_.front(): counts all that ever waited
    std::mutex complaints_mutex_;
    RateLimit complaints_{60s};
};

HistoryWriter::HistoryWriter(const formats::Configuration& configuration, std::string version, core::Memory memory,
                             bool unclean_start, StepQueue& steps, HistoryState& state, Tell on_transmission,
                             RecordingFeed* recording, LatestHistory* latest)
    : impl_{std::make_shared<Impl>(configuration, std::move(version), std::move(memory), unclean_start, steps, state,
                                   std::move(on_transmission), recording, latest)} {}

HistoryWriter::~HistoryWriter() {
    stop(monotonic_now() + 2s);
}

void HistoryWriter::start() {
    impl_->follow_thread_.start("recorder", Thread::ordinary, [work = impl_] { work->follow(); });
    impl_->write_thread_.start("history", Thread::ordinary, [work = impl_] { work->write(); });
}

bool HistoryWriter::stop(core::Instant deadline) {
    impl_->stopping_.store(true, std::memory_order_release);
    impl_->follow_wake_.ring();
    const auto left = [&] { return std::max(deadline - monotonic_now(), core::Duration::zero()); };
    const bool followed = impl_->follow_thread_.join(left());
    return impl_->write_thread_.join(left()) && followed && impl_->all_written_.load(std::memory_order_acquire);
}

}  // namespace dekeyd
