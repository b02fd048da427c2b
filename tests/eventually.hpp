// Waits for a condition that another thread makes true; wide cap, so that a slow machine isn't a failure.
#pragma once

#include <chrono>
#include <thread>

namespace dekeyd::test {

template <class Condition>
bool eventually(Condition condition, std::chrono::milliseconds cap = std::chrono::seconds{30}) {
    const auto end = std::chrono::steady_clock::now() + cap;
    while (!condition()) {
        if (std::chrono::steady_clock::now() >= end) return false;
        std::this_thread::sleep_for(std::chrono::milliseconds{2});
    }
    return true;
}

}  // namespace dekeyd::test
