#include "guard/stop_signals.hpp"

#include <doctest/doctest.h>
#include <signal.h>
#include <sys/wait.h>
#include <unistd.h>

#include <cerrno>
#include <chrono>
#include <fstream>
#include <string>

#include "base/wall_clock.hpp"
#include "eventually.hpp"

using namespace dekeyd;
using namespace std::chrono_literals;

namespace {

constexpr int stops[] = {SIGTERM, SIGINT, SIGHUP, SIGQUIT};

struct Bench {
    Wake guard_wake, main;
    Guard guard{100ms, guard_wake, {}};
};

/// Runs `body` in a process of its own, since handlers are the whole process's; returns as what it ended: its code, or
/// 1000 and the signal that ended it.
template <class Body>
int of_its_own(Body body) {
    const pid_t child = ::fork();
    REQUIRE(child >= 0);
    if (child == 0) ::_exit(body());
    int status = 0;
    REQUIRE(::waitpid(child, &status, 0) == child);
    return WIFSIGNALED(status) ? 1000 + WTERMSIG(status) : WEXITSTATUS(status);
}

bool sleeps(pid_t process) {
    std::ifstream file{"/proc/" + std::to_string(process) + "/stat"};
    const std::string text{std::istreambuf_iterator<char>{file}, {}};
    const std::size_t name_end = text.rfind(')');
    return name_end != std::string::npos && text.size() > name_end + 2 && text[name_end + 2] == 'S';
}

}  // namespace

TEST_CASE("a stop signal that came before main waits is heard at once, and the guard is told") {
    for (const int signal : stops) {
        CAPTURE(signal);
        CHECK(of_its_own([&] {
                  Bench bench;
                  stop_by_signals(bench.guard, bench.main);
                  if (bench.guard.stopping() || stop_signal() != 0) return 1;
                  errno = EDOM;
                  ::raise(signal);
                  if (errno != EDOM) return 2;  // what it interrupted looks at errno
                  if (!bench.guard.stopping()) return 3;
                  if (stop_signal() != signal) return 4;
                  const core::Instant began = monotonic_now();
                  bench.main.wait(began + 10s);
                  return monotonic_now() - began < 5s ? 0 : 5;
              }) == 0);
    }
}

TEST_CASE("a stop signal ends main's wait") {
    const pid_t child = ::fork();
    REQUIRE(child >= 0);
    if (child == 0) {
        Bench bench;
        stop_by_signals(bench.guard, bench.main);
        bench.main.wait(monotonic_now() + 60s);
        ::_exit(bench.guard.stopping() && stop_signal() == SIGTERM ? 0 : 1);
    }
    REQUIRE(test::eventually([&] { return sleeps(child); }));
    const core::Instant sent = monotonic_now();
    ::kill(child, SIGTERM);
    int status = 0;
    REQUIRE(::waitpid(child, &status, 0) == child);
    CHECK(WIFEXITED(status));
    CHECK(WEXITSTATUS(status) == 0);
    CHECK(monotonic_now() - sent < 30s);
}

TEST_CASE("the last stop signal is the one that is named") {
    CHECK(of_its_own([] {
              Bench bench;
              stop_by_signals(bench.guard, bench.main);
              ::raise(SIGINT);
              ::raise(SIGHUP);
              return stop_signal() == SIGHUP ? 0 : 1;
          }) == 0);
}

TEST_CASE("signals that ask for no stop neither end the process nor inhibit") {
    for (const int signal : {SIGPIPE, SIGUSR1, SIGUSR2, SIGALRM, SIGVTALRM, SIGPROF, SIGIO, SIGPWR, SIGXFSZ, SIGXCPU}) {
        CAPTURE(signal);
        CHECK(of_its_own([&] {
                  Bench bench;
                  stop_by_signals(bench.guard, bench.main);
                  ::raise(signal);
                  return bench.guard.stopping() || stop_signal() != 0 ? 1 : 0;
              }) == 0);
    }
}
