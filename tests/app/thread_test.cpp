#include "base/thread.hpp"

#include <doctest/doctest.h>
#include <pthread.h>
#include <sched.h>
#include <signal.h>

#include <array>
#include <atomic>
#include <filesystem>
#include <fstream>
#include <optional>
#include <string>
#include <thread>

#include "base/handover.hpp"
#include "base/wall_clock.hpp"
#include "eventually.hpp"

using namespace dekeyd;
using namespace std::chrono_literals;

TEST_CASE("a thread has its name, no stop signals, and the signals of its own faults") {
    Thread thread;
    std::string name;
    bool term_blocked = false, int_blocked = false, fault_blocked = true;
    thread.start("a name of more than 15 bytes", Thread::ordinary, [&] {
        std::array<char, 32> buffer{};
        ::pthread_getname_np(::pthread_self(), buffer.data(), buffer.size());
        name = buffer.data();
        sigset_t blocked;
        ::pthread_sigmask(SIG_SETMASK, nullptr, &blocked);
        term_blocked = ::sigismember(&blocked, SIGTERM) == 1;
        int_blocked = ::sigismember(&blocked, SIGINT) == 1;
        fault_blocked = ::sigismember(&blocked, SIGSEGV) == 1;
    });
    REQUIRE(thread.join(30s));
    CHECK(name == "a name of more ");
    CHECK(term_blocked);
    CHECK(int_blocked);
    CHECK_FALSE(fault_blocked);
    CHECK(thread.has_priority());
}

TEST_CASE("who starts it keeps its own signals") {
    sigset_t before, after;
    ::pthread_sigmask(SIG_SETMASK, nullptr, &before);
    Thread thread;
    thread.start("mask", Thread::ordinary, [] {});
    ::pthread_sigmask(SIG_SETMASK, nullptr, &after);
    CHECK(::sigismember(&before, SIGTERM) == ::sigismember(&after, SIGTERM));
    CHECK(thread.join(30s));
}

TEST_CASE("a join gives up in time, and may be tried again") {
    Wake go;
    std::atomic<bool> gone{false};
    Thread thread;
    thread.start("stuck", Thread::ordinary, [&] {
        while (!gone) go.wait(monotonic_now() + 10s);
    });
    CHECK_FALSE(thread.join(10ms));
    gone = true;
    go.ring();
    CHECK(thread.join(30s));
    CHECK(thread.join(0s));  // nothing is left to wait for
}

TEST_CASE("without the right to it there is no priority, and the thread runs all the same") {
    std::atomic<int> policy{-1};
    Thread thread;
    Wake go;
    std::atomic<bool> asked{false};
    thread.start("urgent", 1, [&] {
        while (!asked) go.wait(monotonic_now() + 10s);
        sched_param parameters{};
        int mine = -1;
        ::pthread_getschedparam(::pthread_self(), &mine, &parameters);
        policy = mine;
    });
    asked = true;
    go.ring();
    REQUIRE(thread.join(30s));
    CHECK(thread.has_priority() == (policy == SCHED_FIFO));
}

TEST_CASE("one processor: kept by a thread with real-time priority, and by no other") {
    const std::optional<int> processor = last_processor();
    if (!processor) return;  // there is but one
    std::atomic<bool> leave{false};
    std::atomic<int> most{0};
    const auto work = [&] {
        while (!leave) {
            most = std::max(most.load(), ::sched_getcpu());
            std::this_thread::sleep_for(1ms);
        }
    };
    const auto allowed = [](const std::string& name) {
        cpu_set_t set;
        CPU_ZERO(&set);
        for (const auto& task : std::filesystem::directory_iterator{"/proc/self/task"}) {
            std::string found;
            std::getline(std::ifstream{task.path() / "comm"}, found);
            if (found == name) ::sched_getaffinity(std::stoi(task.path().filename()), sizeof set, &set);
        }
        return CPU_COUNT(&set);
    };
    Thread ordinary;
    ordinary.start("ordinary", Thread::ordinary, work);
    CHECK_FALSE(ordinary.keep_on(*processor));
    CHECK(test::eventually([&] { return allowed("ordinary") > 1; }));
    Thread urgent;
    urgent.start("urgent", 1, work);
    if (urgent.has_priority()) {
        CHECK(urgent.keep_on(*processor));
        CHECK(test::eventually([&] { return allowed("urgent") == 1; }));
        CHECK_FALSE(urgent.keep_on(-1));
    }
    leave = true;
    CHECK(ordinary.join(10s));
    CHECK(urgent.join(10s));
}
