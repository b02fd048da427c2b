// base/handover.hpp in every order of its atomic steps: the header's own text, with model::Atomic in std::atomic's
// place and the model's futex in the kernel's.
//
// What is checked: a ring's items arrive whole, in order, each once, or are counted as refused; the newest value is
// whole, newer than the last, and the last one published is not lost; a wake is never lost, and what was written before
// a ring is there after the wait. And nothing races.
//
// The relaxed operations, which the model treats as sequentially consistent in their values, and why that is enough:
// - Ring: each thread loads its own index relaxed. Nobody else writes it, and a thread sees its own last write.
// - Ring::refused_ is a count for people; nothing is decided by it.
// - Newest::take() looks for `fresh` relaxed before its exchange. An old value there means only that the newest is
// taken
//   at the next call: the reader alone clears the mark, so a mark that it sees is still there when it exchanges.
// - A store that another thread doesn't see yet is the same as one that hasn't happened yet, for one variable; all
// three
//   have one variable that carries the decision for each direction (head_, tail_, spare_, state_), so a machine that
//   shows two variables in different orders shows nothing that an order of the steps doesn't.
#include <linux/futex.h>
#include <sys/syscall.h>
#include <time.h>
#include <unistd.h>

#include <algorithm>
#include <array>
#include <atomic>
#include <chrono>
#include <climits>
#include <cstdint>
#include <cstdio>
#include <vector>

#include "model.hpp"
#include "plan/time.hpp"

namespace std {  // NOLINT: only so that the header's "std::atomic" is the model's
template <class T>
using modelled = model::Atomic<T>;
}
inline long modelled_call(long /*futex*/, const void* address, int operation, std::uint32_t value, const timespec*,
                          const void*, std::uint32_t) {
    return model::futex(static_cast<const model::Atomic<std::uint32_t>*>(address), operation, value,
                        FUTEX_WAIT_BITSET_PRIVATE);
}

#define atomic modelled
#define syscall modelled_call
#define static_assert(...)  // of the futex's word, which the model's is not
#include HANDOVER           // base/handover.hpp, or a copy with one deliberate fault
#undef static_assert
#undef syscall
#undef atomic

using namespace dekeyd;
using model::Cell;

namespace {

constexpr core::Instant for_ever = core::Instant::max();

void need(bool holds, const char* what) {
    if (!holds) model::world->fail(what);
}

/// Five items through two places.
struct RingProgram {
    static constexpr int items = 5;
    Ring<Cell> ring{2, Cell{}};
    std::vector<int> got;
    int refused = 0;
    bool finished = false;

    std::vector<std::function<void()>> threads() {
        return {[this] {
                    for (int i = 1; i <= items; ++i) {
                        Cell* const place = ring.claim();
                        if (place == nullptr) {
                            ++refused;
                            continue;
                        }
                        place->set(i);
                        ring.commit();
                    }
                },
                [this] {
                    for (int i = 0; i < items; ++i) take();
                }};
    }
    void take() {
        if (Cell* const item = ring.front()) {
            got.push_back(item->get());
            ring.pop();
        }
    }
    void finish() {
        for (int i = 0; i < items; ++i) take();
        need(got.size() + static_cast<std::size_t>(refused) == items, "an item is lost or comes twice");
        need(std::is_sorted(got.begin(), got.end()), "items out of order");
        need(std::adjacent_find(got.begin(), got.end()) == got.end(), "an item comes twice");
        need(ring.refused() == static_cast<std::uint64_t>(refused), "a refusal isn't counted");
    }
};

/// The guard's way: it looks at several with peek() and gives them back together.
struct PeekProgram {
    Ring<Cell> ring{2, Cell{}};
    std::vector<int> got;
    std::vector<std::function<void()>> threads() {
        return {[this] {
                    for (int i = 1; i <= 3; ++i) {
                        if (Cell* const place = ring.claim()) {
                            place->set(i);
                            ring.commit();
                        }
                    }
                },
                [this] {
                    for (int turn = 0; turn < 2; ++turn) {
                        std::size_t taken = 0;
                        while (const Cell* item = ring.peek(taken)) {
                            got.push_back(item->get());
                            ++taken;
                        }
                        // Still there, as it was.
                        for (std::size_t i = 0; i < taken; ++i) {
                            const Cell* const item = ring.peek(i);
                            need(item != nullptr && item->get() == got[got.size() - taken + i],
                                 "an item changed while looked at");
                        }
                        for (std::size_t i = 0; i < taken; ++i) ring.pop();
                    }
                }};
    }
    void finish() { need(std::is_sorted(got.begin(), got.end()), "items out of order"); }
};

struct Pair {
    Cell first, second;
};

struct NewestProgram {
    static constexpr int versions = 5;
    Newest<Pair> newest{Pair{}};
    int last = 0;

    std::vector<std::function<void()>> threads() {
        return {[this] {
                    for (int i = 1; i <= versions; ++i) {
                        newest.draft().first.set(i);
                        newest.draft().second.set(i);
                        newest.publish();
                    }
                },
                [this] {
                    for (int i = 0; i < versions + 1; ++i) take();
                }};
    }
    void take() {
        const bool newer = newest.take();
        const int first = newest.value().first.get(), second = newest.value().second.get();
        need(first == second, "a torn value");
        need(newer ? first > last : first == last, "not newer, or changed without notice");
        last = first;
    }
    void finish() {
        take();
        need(last == versions, "the last value is lost");
    }
};

/// Two that ring and one that waits until both have spoken. What they wrote goes by the wake alone.
struct WakeProgram {
    Wake wake;
    std::array<model::Atomic<int>, 2> spoken;
    std::array<Cell, 2> words;

    std::vector<std::function<void()>> threads() {
        return {
            [this] { speak(0); }, [this] { speak(1); },
            [this] {
                while (spoken[0].load(std::memory_order_relaxed) == 0 || spoken[1].load(std::memory_order_relaxed) == 0)
                    wake.wait(for_ever);
            }};
    }
    void speak(std::size_t who) {
        words[who].set(1);
        spoken[who].store(1, std::memory_order_relaxed);
        wake.ring();
    }
    void finish() {}
};

/// One word handed over by ring and wait alone.
struct WakeOrderProgram {
    Wake wake;
    Cell word;
    std::vector<std::function<void()>> threads() {
        return {[this] {
                    word.set(5);
                    wake.ring();
                },
                [this] {
                    wake.wait(for_ever);
                    need(word.get() == 5, "what was written before the ring isn't there");
                }};
    }
    void finish() {}
};

template <class Program>
bool check(const char* name) {
    const model::Result result = model::explore<Program>();
    std::printf("%-12s %9llu executions, %9llu states, %10llu steps: %s\n", name,
                static_cast<unsigned long long>(result.executions), static_cast<unsigned long long>(result.states),
                static_cast<unsigned long long>(result.steps), result.fault.empty() ? "holds" : result.fault.c_str());
    return result.fault.empty();
}

}  // namespace

int main() {
    bool good = check<RingProgram>("ring");
    good = check<PeekProgram>("ring, peek") && good;
    good = check<NewestProgram>("newest") && good;
    good = check<WakeProgram>("wake") && good;
    good = check<WakeOrderProgram>("wake's order") && good;
    std::puts(good ? "no order of the steps breaks it" : "VIOLATED");
    return good ? 0 : 1;
}
