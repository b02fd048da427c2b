// How much of a processor this process takes meanwhile: a thread that should wait and spins takes all that it gets.
#pragma once

#include <chrono>
#include <ctime>
#include <utility>

namespace dekeyd::test {

template <class Work>
std::chrono::nanoseconds processor_time_while(Work work) {
    const auto taken = [] {
        timespec time{};
        ::clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &time);
        return std::chrono::seconds{time.tv_sec} + std::chrono::nanoseconds{time.tv_nsec};
    };
    const auto before = taken();
    std::forward<Work>(work)();
    return taken() - before;
}

}  // namespace dekeyd::test
