#include "base/thread.hpp"

#include <sched.h>
#include <signal.h>

#include <atomic>
#include <memory>
#include <system_error>
#include <utility>

#include "base/handover.hpp"
#include "base/last_resort.hpp"
#include "base/wall_clock.hpp"

#if defined(__has_feature)
#if __has_feature(address_sanitizer) || __has_feature(thread_sanitizer)
#define DEKEYD_LARGE_STACKS 1
#endif
#endif
#if defined(__SANITIZE_ADDRESS__) || defined(__SANITIZE_THREAD__)
#define DEKEYD_LARGE_STACKS 1
#endif

namespace dekeyd {

/// Shared with the thread, which may outlive the object.
struct Thread::End {
    std::atomic<bool> ended{false};
    Wake wake;
};

namespace {

#ifdef DEKEYD_LARGE_STACKS
constexpr std::size_t stack_bytes = 2048UL * 1024;
#else
constexpr std::size_t stack_bytes = 256UL * 1024;
#endif

struct Attributes {
    pthread_attr_t value{};
    Attributes() { ::pthread_attr_init(&value); }
    ~Attributes() { ::pthread_attr_destroy(&value); }
    Attributes(const Attributes&) = delete;
    Attributes& operator=(const Attributes&) = delete;
};

struct Start {
    std::string name;
    std::function<void()> work;
    std::shared_ptr<Thread::End> end;
};

// noexcept: what leaves `work` must not unwind into the C library, it ends in the terminate handler.
void run(Start& start) noexcept {
    const AlternateStack stack;
    start.work();
}

void* enter(void* argument) {
    const std::unique_ptr<Start> start{static_cast<Start*>(argument)};
    ::pthread_setname_np(::pthread_self(), start->name.substr(0, 15).c_str());
    run(*start);
    start->work = nullptr;  // what it holds goes before the end is told
    start->end->ended.store(true, std::memory_order_release);
    start->end->wake.ring();
    return nullptr;
}

void check(int error, const char* what) {
    if (error != 0) throw std::system_error{error, std::generic_category(), what};
}

}  // namespace

Thread::~Thread() {
    if (running_) ::pthread_detach(thread_);
}

void Thread::start(const std::string& name, int priority, std::function<void()> work) {
    end_ = std::make_shared<End>();
    auto start = std::make_unique<Start>(Start{name, std::move(work), end_});
    Attributes attributes;
    check(::pthread_attr_setstacksize(&attributes.value, stack_bytes), "pthread_attr_setstacksize");
    sigset_t all;
    sigset_t before;
    ::sigfillset(&all);
    // Faults of the thread's own must reach it, or the kernel kills without a last word.
    for (const int fault : {SIGSEGV, SIGBUS, SIGFPE, SIGILL, SIGABRT, SIGSYS}) ::sigdelset(&all, fault);
    ::pthread_sigmask(SIG_SETMASK, &all, &before);
    const int error = ::pthread_create(&thread_, &attributes.value, &enter, start.get());
    ::pthread_sigmask(SIG_SETMASK, &before, nullptr);
    check(error, ("no thread for " + name).c_str());
    static_cast<void>(start.release());  // the thread has it now
    running_ = true;
    if (priority == ordinary) return;
    const sched_param parameters{.sched_priority = priority};
    has_priority_ = realtime_ = ::pthread_setschedparam(thread_, SCHED_FIFO, &parameters) == 0;
}

// One without it would wait there for others, while another processor is free.
bool Thread::keep_on(int processor) noexcept {
    if (!running_ || !realtime_ || processor < 0 || processor >= CPU_SETSIZE) return false;
    cpu_set_t set;
    CPU_ZERO(&set);
    CPU_SET(processor, &set);
    return ::pthread_setaffinity_np(thread_, sizeof set, &set) == 0;
}

std::optional<int> last_processor() noexcept {
    cpu_set_t set;
    CPU_ZERO(&set);
    if (::sched_getaffinity(0, sizeof set, &set) != 0 || CPU_COUNT(&set) < 2) return std::nullopt;
    int last = CPU_SETSIZE - 1;
    while (!CPU_ISSET(last, &set)) --last;
    return last;
}

bool Thread::join(std::chrono::nanoseconds at_most) noexcept {
    if (!running_) return true;
    const core::Instant until = monotonic_now() + at_most;
    while (!end_->ended.load(std::memory_order_acquire)) {
        if (monotonic_now() >= until) return false;
        end_->wake.wait(until);
    }
    ::pthread_join(thread_, nullptr);  // all but over
    running_ = false;
    return true;
}

}  // namespace dekeyd
