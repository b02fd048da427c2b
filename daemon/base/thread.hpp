// A thread as this daemon needs it: small stack, no signals, real-time where allowed, and never joined by a destructor
// that could wait for a jammed one.
#pragma once

#include <pthread.h>

#include <chrono>
#include <functional>
#include <memory>
#include <optional>
#include <string>

namespace dekeyd {

class Thread {
public:
    static constexpr int ordinary = 0;

    Thread() = default;
    Thread(const Thread&) = delete;
    Thread& operator=(const Thread&) = delete;
    /// A running thread is let go, not waited for: the objects that it uses must outlive it, or call join().
    ~Thread();

    /// Starts `work` under `name` (at most 15 bytes). An exception that leaves `work` ends the process, inhibited.
    /// `priority`: SCHED_FIFO 1..99, or ordinary. Throws std::system_error when no thread can be made.
    void start(const std::string& name, int priority, std::function<void()> work);

    /// True when the priority asked for was given; ordinary counts as given.
    [[nodiscard]] bool has_priority() const noexcept { return has_priority_; }

    /// Keeps a thread that runs, and that has real-time priority, on one processor. False: it may run anywhere.
    bool keep_on(int processor) noexcept;

    /// Waits for its end for at most so long. False: it is still running.
    bool join(std::chrono::nanoseconds at_most) noexcept;

    struct End;

private:
    std::shared_ptr<End> end_;
    pthread_t thread_{};
    bool running_ = false;
    bool has_priority_ = true;
    bool realtime_ = false;
};

/// The last processor that this process may use, where it has several: interrupts are mostly taken by the first.
std::optional<int> last_processor() noexcept;

}  // namespace dekeyd
