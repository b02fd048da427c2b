// Hand-over between threads without waiting: a ring of whole items, a triple buffer of the newest, and a wake.
#pragma once

#include <linux/futex.h>
#include <sys/eventfd.h>
#include <sys/syscall.h>
#include <time.h>
#include <unistd.h>

#include <algorithm>
#include <array>
#include <atomic>
#include <climits>
#include <cstdint>
#include <vector>

#include "plan/time.hpp"

namespace dekeyd {

/// Bounded queue, one producer thread and one consumer thread; items are filled and read in place. When it is full the
/// new item is refused and counted: the consumer's order is never disturbed.
template <class T>
class Ring {
public:
    /// `blank` gives every place its size, so that filling one allocates nothing.
    explicit Ring(std::size_t places, const T& blank = T{}) : items_(places + 1, blank) {}

    /// Producer: a place to fill, or nullptr (counted) when full. Visible after commit().
    T* claim() noexcept {
        const std::size_t tail = tail_.load(std::memory_order_relaxed);
        if (next(tail) == head_.load(std::memory_order_acquire)) {
            refused_.fetch_add(1, std::memory_order_relaxed);
            return nullptr;
        }
        return &items_[tail];
    }
    void commit() noexcept { tail_.store(next(tail_.load(std::memory_order_relaxed)), std::memory_order_release); }
    bool push(const T& item) noexcept {
        T* place = claim();
        if (place == nullptr) return false;
        *place = item;
        commit();
        return true;
    }

    /// Consumer: the oldest item, or nullptr.
    T* front() noexcept {
        const std::size_t head = head_.load(std::memory_order_relaxed);
        return head == tail_.load(std::memory_order_acquire) ? nullptr : &items_[head];
    }
    void pop() noexcept { head_.store(next(head_.load(std::memory_order_relaxed)), std::memory_order_release); }
    /// Consumer: the item `ahead` places behind the oldest, or nullptr; nothing is given back until pop().
    T* peek(std::size_t ahead) noexcept {
        const std::size_t head = head_.load(std::memory_order_relaxed);
        const std::size_t tail = tail_.load(std::memory_order_acquire);
        const std::size_t filled = tail >= head ? tail - head : items_.size() - head + tail;
        if (ahead >= filled) return nullptr;
        const std::size_t place = head + ahead;
        return &items_[place < items_.size() ? place : place - items_.size()];
    }

    /// Items that found no place.
    [[nodiscard]] std::uint64_t refused() const noexcept { return refused_.load(std::memory_order_relaxed); }

private:
    [[nodiscard]] std::size_t next(std::size_t place) const noexcept {
        return place + 1 == items_.size() ? 0 : place + 1;
    }
    std::vector<T> items_;
    alignas(64) std::atomic<std::size_t> head_{0};
    alignas(64) std::atomic<std::size_t> tail_{0};
    alignas(64) std::atomic<std::uint64_t> refused_{0};
};

/// The newest value, one writer and one reader, neither ever waiting. (A plain sequence lock would be a data race.)
template <class T>
class Newest {
public:
    explicit Newest(const T& blank) : values_{blank, blank, blank} {}

    /// Writer: fill this, then publish().
    T& draft() noexcept { return values_[writing_]; }
    void publish() noexcept {
        writing_ = spare_.exchange(static_cast<std::uint8_t>(writing_ | fresh), std::memory_order_acq_rel) & place_mask;
    }

    /// Reader: takes the newest if there is a newer one. True when `value()` changed.
    bool take() noexcept {
        if ((spare_.load(std::memory_order_relaxed) & fresh) == 0) return false;
        reading_ = spare_.exchange(reading_, std::memory_order_acq_rel) & place_mask;
        return true;
    }
    [[nodiscard]] const T& value() const noexcept { return values_[reading_]; }

private:
    static constexpr std::uint8_t fresh = 4;
    static constexpr std::uint8_t place_mask = 3;
    std::array<T, 3> values_;
    std::uint8_t writing_ = 0;
    std::uint8_t reading_ = 1;
    std::atomic<std::uint8_t> spare_{2};
};

/// Wakes one waiting thread; a wake before the wait is not lost. One system call a side, and none to wake a thread
/// that isn't waiting.
class Wake {
public:
    Wake() = default;
    Wake(const Wake&) = delete;
    Wake& operator=(const Wake&) = delete;
    ~Wake() {
        if (descriptor_ >= 0) ::close(descriptor_);
    }

    void ring() noexcept {
        if (descriptor_ >= 0) {
            if (state_.exchange(rung, std::memory_order_acq_rel) != rung) write_descriptor();
            return;
        }
        if (state_.exchange(rung, std::memory_order_acq_rel) == waiting) futex(FUTEX_WAKE_PRIVATE, INT_MAX, nullptr);
    }
    /// For a thread that waits in poll() and never in wait(): this is readable from a ring until hear(). To be asked
    /// for before another thread knows this wake, or shares its file table no more. -1: the kernel has none left.
    int descriptor() noexcept {
        if (descriptor_ < 0) descriptor_ = ::eventfd(0, EFD_CLOEXEC | EFD_NONBLOCK);
        return descriptor_;
    }
    /// Takes the rings so far. What they announced is looked at after it.
    void hear() noexcept {
        std::uint64_t count = 0;
        if (descriptor_ >= 0) static_cast<void>(!::read(descriptor_, &count, sizeof count));
        state_.exchange(idle, std::memory_order_acq_rel);
    }
    /// Returns when rung since the last return, or at `until` on CLOCK_MONOTONIC.
    void wait(core::Instant until) noexcept {
        std::uint32_t expected = idle;
        if (state_.compare_exchange_strong(expected, waiting, std::memory_order_acq_rel)) {
            // The kernel refuses a time before its start, which would turn the waiter's loop into a busy one.
            const auto ns = std::max<core::Duration::rep>(until.time_since_epoch().count(), 0);
            const timespec deadline{.tv_sec = static_cast<time_t>(ns / 1'000'000'000),
                                    .tv_nsec = static_cast<long>(ns % 1'000'000'000)};
            // FUTEX_WAIT_BITSET takes an absolute time of the monotonic clock.
            futex(FUTEX_WAIT_BITSET_PRIVATE, waiting, &deadline);
        }
        state_.exchange(idle, std::memory_order_acq_rel);
    }

private:
    static constexpr std::uint32_t idle = 0, waiting = 1, rung = 2;
    void futex(int operation, std::uint32_t value, const timespec* deadline) noexcept {
        static_assert(sizeof(std::atomic<std::uint32_t>) == sizeof(std::uint32_t));
        ::syscall(SYS_futex, &state_, operation, value, deadline, nullptr, FUTEX_BITSET_MATCH_ANY);
    }
    // Never blocks: its counter is far from full, being read to zero each time.
    void write_descriptor() const noexcept {
        const std::uint64_t one = 1;
        static_cast<void>(!::write(descriptor_, &one, sizeof one));
    }
    std::atomic<std::uint32_t> state_{idle};
    int descriptor_ = -1;
};

}  // namespace dekeyd
