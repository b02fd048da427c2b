// The signals that end a follow, and the end of its command, as something to read.
#pragma once

#include <sys/signalfd.h>
#include <unistd.h>

#include <csignal>

namespace dekeyd::ctl {

class EndSignals {
public:
    /// Before any thread: what it blocks its threads block too.
    EndSignals() {
        sigset_t wanted;
        ::sigemptyset(&wanted);
        for (const int number : {SIGINT, SIGTERM, SIGHUP, SIGCHLD}) ::sigaddset(&wanted, number);
        ::sigprocmask(SIG_BLOCK, &wanted, nullptr);
        ::signal(SIGPIPE, SIG_IGN);
        descriptor_ = ::signalfd(-1, &wanted, SFD_CLOEXEC | SFD_NONBLOCK);
    }
    ~EndSignals() {
        if (descriptor_ >= 0) ::close(descriptor_);
    }
    EndSignals(const EndSignals&) = delete;
    EndSignals& operator=(const EndSignals&) = delete;

    [[nodiscard]] int descriptor() const noexcept { return descriptor_; }
    /// One of those that end it has come.
    [[nodiscard]] bool ends() const noexcept {
        signalfd_siginfo one{};
        bool found = false;
        while (::read(descriptor_, &one, sizeof one) == static_cast<ssize_t>(sizeof one))
            found = found || one.ssi_signo != SIGCHLD;
        return found;
    }

private:
    int descriptor_ = -1;
};

}  // namespace dekeyd::ctl
