#include "guard/stop_signals.hpp"

#include <signal.h>

#include <atomic>
#include <cerrno>

namespace dekeyd {

namespace {

std::atomic<Guard*> signalled_guard{nullptr};
std::atomic<Wake*> signalled_main{nullptr};
std::atomic<int> last_signal{0};

// The guard is told here and not by main, which may be waiting for a log that doesn't take its line.
void on_stop(int signal) {
    const int before = errno;
    last_signal.store(signal);
    if (Guard* const guard = signalled_guard.load()) guard->ask_to_inhibit();
    if (Wake* const main_wake = signalled_main.load()) main_wake->ring();
    errno = before;
}

}  // namespace

void stop_by_signals(Guard& guard, Wake& main) {
    signalled_main.store(&main);
    signalled_guard.store(&guard);
    struct sigaction action {};
    action.sa_handler = on_stop;
    for (const int signal : {SIGTERM, SIGINT, SIGHUP, SIGQUIT}) ::sigaction(signal, &action, nullptr);
    // Each of these would end the process by default.
    action.sa_handler = SIG_IGN;
    for (const int signal : {SIGPIPE, SIGUSR1, SIGUSR2, SIGALRM, SIGVTALRM, SIGPROF, SIGIO, SIGPWR, SIGXFSZ, SIGXCPU}) {
        ::sigaction(signal, &action, nullptr);
    }
}

int stop_signal() noexcept {
    return last_signal.load();
}

}  // namespace dekeyd
