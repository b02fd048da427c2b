// A small model checker: runs a few threads of straight-line code in every order of their atomic steps.
//
// Each thread is a fibre that stops before every atomic operation; the order is chosen by depth-first search, replaying
// the choices so far. Executions that come to a state seen before are given up there: a thread's place is a function of
// what it has read, so (what each has read, all memory, all clocks) is the whole state.
//
// Values are sequentially consistent. The memory orders are not ignored, though: each thread has a vector clock, a
// release publishes it with the value, an acquire that reads the value takes it over, relaxed does neither. Two
// accesses to a Cell, one of them a write, that no such chain puts in order are a data race, and reported. A program
// without data races in all sequentially consistent executions has no others on real machines, where its atomics are
// the only ones that race: those with a relaxed order are argued for one by one in interleave.cpp.
#pragma once

#include <ucontext.h>

#include <algorithm>
#include <array>
#include <atomic>
#include <cstdarg>
#include <cstdint>
#include <cstdio>
#include <cstdlib>
#include <functional>
#include <memory>
#include <string>
#include <unordered_set>
#include <vector>

namespace model {

inline constexpr std::size_t most_threads = 3;
using Clock = std::array<std::uint32_t, most_threads>;

inline std::uint64_t mixed(std::uint64_t hash, std::uint64_t value) {
    hash ^= value + 0x9e3779b97f4a7c15ULL + (hash << 6U) + (hash >> 2U);
    hash *= 0xff51afd7ed558ccdULL;
    return hash ^ (hash >> 33U);
}
inline std::uint64_t mixed(std::uint64_t hash, const Clock& clock) {
    for (const std::uint32_t part : clock) hash = mixed(hash, part);
    return hash;
}

struct Thread {
    ucontext_t context{};
    std::unique_ptr<char[]> stack;
    std::function<void()> work;
    Clock clock{};
    std::uint64_t history = 1;  ///< of all that it has read
    bool done = false;
    const void* waits_on = nullptr;  ///< a futex
};

/// Something in memory that belongs to the state.
struct Object {
    Object();
    virtual ~Object();
    Object(const Object&) : Object() {}
    Object& operator=(const Object&) { return *this; }
    [[nodiscard]] virtual std::uint64_t hash() const = 0;
};

struct World {
    static constexpr std::size_t stack_bytes = 64 * 1024;
    ucontext_t scheduler{};
    std::vector<Thread> threads;
    std::vector<Object*> objects;
    std::size_t running = most_threads;  ///< most_threads: set-up and checks, outside of any thread
    std::vector<std::uint8_t> choices;   ///< of this execution, replayed up to its length
    std::vector<std::uint8_t> rest;      ///< bit mask of what is still to be tried at each place
    std::unordered_set<std::uint64_t> seen;
    std::uint64_t executions = 0, steps = 0;
    std::string fault;

    Thread* current() { return running < threads.size() ? &threads[running] : nullptr; }
    void fail(const std::string& what) {
        if (fault.empty()) fault = what;
    }
    void pause() {  // in a fibre: back to the scheduler
        if (Thread* const thread = current()) ::swapcontext(&thread->context, &scheduler);
    }
};
inline World* world = nullptr;

inline Object::Object() {
    if (world != nullptr) world->objects.push_back(this);
}
inline Object::~Object() {
    if (world != nullptr) std::erase(world->objects, this);
}

/// Stands where std::atomic stands in the code under test.
template <class T>
struct Atomic : Object {
    Atomic(T value = T{}) : value_{value} {}  // NOLINT: as std::atomic
    T load(std::memory_order order) const {
        before();
        take(order);
        return read(value_);
    }
    void store(T value, std::memory_order order) {
        before();
        value_ = value;
        // A store that releases nothing ends what was released here before.
        released_ = Clock{};
        give(order);
    }
    T exchange(T value, std::memory_order order) {
        before();
        take(order);
        const T old = read(value_);
        value_ = value;
        give(order);  // on top: a read-modify-write goes on with the chain that it read
        return old;
    }
    T fetch_add(T value, std::memory_order order) {
        before();
        take(order);
        const T old = read(value_);
        value_ = static_cast<T>(value_ + value);
        give(order);
        return old;
    }
    bool compare_exchange_strong(T& expected, T value, std::memory_order order) {
        before();
        take(order);
        const T old = read(value_);
        if (old != expected) {
            expected = old;
            return false;
        }
        value_ = value;
        give(order);
        return true;
    }
    [[nodiscard]] T raw() const { return value_; }
    [[nodiscard]] std::uint64_t hash() const override { return mixed(static_cast<std::uint64_t>(value_), released_); }

private:
    static void before() {
        world->pause();
        if (Thread* const thread = world->current()) ++thread->clock[world->running];
        ++world->steps;
    }
    static T read(T value) {
        if (Thread* const thread = world->current())
            thread->history = mixed(thread->history, static_cast<std::uint64_t>(value) + 1);
        return value;
    }
    void take(std::memory_order order) const {
        if (order == std::memory_order_relaxed || order == std::memory_order_release) return;
        if (Thread* const thread = world->current()) {
            for (std::size_t i = 0; i < most_threads; ++i) thread->clock[i] = std::max(thread->clock[i], released_[i]);
        }
    }
    void give(std::memory_order order) {
        if (order == std::memory_order_relaxed || order == std::memory_order_acquire) return;
        if (Thread* const thread = world->current()) {
            for (std::size_t i = 0; i < most_threads; ++i) released_[i] = std::max(released_[i], thread->clock[i]);
        }
    }
    T value_;
    Clock released_{};
};

/// Plain memory that notices a race. Its accesses are no scheduling points: where they race, the clocks tell.
struct Cell : Object {
    Cell(int value = 0) : value_{value} {}  // NOLINT: as an int
    Cell(const Cell& other) : Object{other}, value_{other.get()} {}
    Cell& operator=(const Cell& other) {
        set(other.get());
        return *this;
    }
    [[nodiscard]] int get() const {
        if (Thread* const thread = world->current()) {
            if (!before(written_, thread->clock)) world->fail("a data race: read beside a write");
            reads_[world->running] = thread->clock[world->running];
            thread->history = mixed(thread->history, static_cast<std::uint64_t>(value_) + 77);
        }
        return value_;
    }
    void set(int value) {
        if (Thread* const thread = world->current()) {
            if (!before(written_, thread->clock)) world->fail("a data race: two writes");
            if (!before(reads_, thread->clock)) world->fail("a data race: write beside a read");
            written_ = Clock{};
            written_[world->running] = thread->clock[world->running];
        }
        value_ = value;
    }
    [[nodiscard]] std::uint64_t hash() const override {
        return mixed(mixed(static_cast<std::uint64_t>(value_), written_), reads_);
    }

private:
    static bool before(const Clock& event, const Clock& now) {
        for (std::size_t i = 0; i < most_threads; ++i) {
            if (event[i] > now[i]) return false;
        }
        return true;
    }
    int value_ = 0;
    Clock written_{};
    mutable Clock reads_{};
};

/// The kernel's futex, without a timeout: a wake that is lost is a deadlock, and so is seen.
inline long futex(const Atomic<std::uint32_t>* address, int operation, std::uint32_t value, int wait_operation) {
    world->pause();
    Thread* const thread = world->current();
    ++world->steps;
    if (thread == nullptr) return 0;
    ++thread->clock[world->running];
    if (operation == wait_operation) {
        if (address->raw() != value) return -1;
        thread->waits_on = address;
        world->pause();
        return 0;
    }
    for (Thread& other : world->threads) {
        if (other.waits_on == address) other.waits_on = nullptr;
    }
    return 0;
}

inline void begin_thread() {
    Thread& thread = *world->current();
    thread.work();
    thread.done = true;
    ::swapcontext(&thread.context, &world->scheduler);
}

struct Result {
    std::uint64_t executions = 0, states = 0, steps = 0;
    std::string fault;
};

/// `Program`: built anew for each execution; has threads() (a vector of functions) and finish(), which checks the end.
template <class Program>
Result explore() {
    World everything;
    world = &everything;
    bool more = true;
    while (more && everything.fault.empty()) {
        ++everything.executions;
        everything.objects.clear();
        everything.threads.clear();
        everything.running = most_threads;
        {
            Program program;
            std::vector<std::function<void()>> works = program.threads();
            everything.threads.resize(works.size());
            for (std::size_t i = 0; i < works.size(); ++i) {
                Thread& thread = everything.threads[i];
                thread.work = works[i];
                thread.clock[i] = 1;
                thread.stack = std::make_unique<char[]>(World::stack_bytes);
                ::getcontext(&thread.context);
                thread.context.uc_stack.ss_sp = thread.stack.get();
                thread.context.uc_stack.ss_size = World::stack_bytes;
                thread.context.uc_link = nullptr;
                ::makecontext(&thread.context, begin_thread, 0);
            }
            std::size_t depth = 0;
            bool cut = false;
            while (everything.fault.empty()) {
                std::uint8_t ready = 0;
                bool all_done = true;
                for (std::size_t i = 0; i < works.size(); ++i) {
                    const Thread& thread = everything.threads[i];
                    all_done = all_done && thread.done;
                    if (!thread.done && thread.waits_on == nullptr) ready = static_cast<std::uint8_t>(ready | 1U << i);
                }
                if (all_done) break;
                if (ready == 0) {
                    everything.fail("a deadlock: a wake was lost");
                    break;
                }
                if (depth == everything.choices.size()) {
                    std::uint64_t state = 7;
                    for (const Thread& thread : everything.threads) {
                        state = mixed(mixed(state, thread.history), thread.clock);
                        state = mixed(state, (thread.done ? 2U : 0U) + (thread.waits_on != nullptr ? 1U : 0U));
                    }
                    for (const Object* object : everything.objects) state = mixed(state, object->hash());
                    if (!everything.seen.insert(state).second) {
                        cut = true;
                        break;
                    }
                    everything.choices.push_back(0);
                    everything.rest.push_back(ready);
                    while ((everything.rest.back() >> everything.choices.back() & 1U) == 0) ++everything.choices.back();
                }
                everything.running = everything.choices[depth];
                Thread& next_thread = everything.threads[everything.running];
                next_thread.history = mixed(next_thread.history, 3);  // a step further, whatever it reads
                everything.rest[depth] =
                    static_cast<std::uint8_t>(everything.rest[depth] & ~(1U << everything.choices[depth]));
                ++depth;
                ::swapcontext(&everything.scheduler, &next_thread.context);
                everything.running = most_threads;
            }
            if (!cut && everything.fault.empty()) program.finish();
            everything.threads.clear();
        }
        while (!everything.rest.empty() && everything.rest.back() == 0) {
            everything.rest.pop_back();
            everything.choices.pop_back();
        }
        more = !everything.rest.empty();
        if (more) {
            std::uint8_t next = 0;
            while ((everything.rest.back() >> next & 1U) == 0) ++next;
            everything.choices.back() = next;
        }
    }
    world = nullptr;
    return {everything.executions, everything.seen.size(), everything.steps, everything.fault};
}

}  // namespace model
