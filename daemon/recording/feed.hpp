// A long recording on its way from the recorder to the operator's connection: bounded, and one at a time.
#pragma once

#include <mutex>
#include <optional>
#include <string>
#include <utility>

#include "plan/time.hpp"

namespace dekeyd {

class RecordingFeed {
public:
    static constexpr std::size_t most_waiting_bytes = 4UL * 1024 * 1024;

    // ---- the reader ----

    /// False: one is being made already.
    bool ask(core::Duration length) {
        const std::lock_guard lock{mutex_};
        if (phase_ != Phase::idle) return false;
        phase_ = Phase::asked;
        length_ = length;
        text_.clear();
        overflowed_ = false;
        return true;
    }
    /// What has come since the last time.
    struct Part {
        std::string text;
        bool ended = false;       ///< nothing follows
        bool overflowed = false;  ///< it wasn't fetched fast enough, and ends early
    };
    Part take() {
        const std::lock_guard lock{mutex_};
        Part part{.text = std::exchange(text_, {}), .ended = phase_ == Phase::ended, .overflowed = overflowed_};
        if (part.ended) phase_ = Phase::idle;
        return part;
    }
    /// Not wanted any more.
    void leave() {
        const std::lock_guard lock{mutex_};
        if (phase_ == Phase::asked || phase_ == Phase::ended) phase_ = Phase::idle;
        if (phase_ == Phase::running) phase_ = Phase::left;
    }

    // ---- the recorder ----

    /// The length, once, when one was asked for.
    std::optional<core::Duration> begin() {
        const std::lock_guard lock{mutex_};
        if (phase_ != Phase::asked) return std::nullopt;
        phase_ = Phase::running;
        return length_;
    }
    /// False: it is wanted no more. `last`: nothing follows.
    bool put(std::string_view text, bool last) {
        const std::lock_guard lock{mutex_};
        if (phase_ == Phase::left) phase_ = Phase::idle;
        if (phase_ != Phase::running) return false;
        if (text_.size() + text.size() > most_waiting_bytes) {
            overflowed_ = true;
            phase_ = Phase::ended;
            return false;
        }
        text_.append(text);
        if (last) phase_ = Phase::ended;
        return true;
    }

private:
    enum class Phase { idle, asked, running, ended, left };
    std::mutex mutex_;
    Phase phase_ = Phase::idle;
    core::Duration length_{};
    std::string text_;
    bool overflowed_ = false;
};

}  // namespace dekeyd
