#include "base/last_resort.hpp"

#include <signal.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#include <array>
#include <atomic>
#include <exception>
#include <string_view>

#include "base/exit_codes.hpp"

namespace dekeyd {

namespace {

constexpr std::size_t alternate_bytes = 0x10000;
constexpr std::array fault_signals{SIGSEGV, SIGBUS, SIGFPE, SIGILL, SIGABRT, SIGSYS};

std::atomic<LineHolder*> line_holder{nullptr};

void say(std::string_view text) noexcept {
    // Without standard error there is no place for a message.
    [[maybe_unused]] const ssize_t written = ::write(STDERR_FILENO, text.data(), text.size());
}

void on_fault(int signal) {
    inhibit_by_last_resort();
    say("dekeyd: a fault of the program itself; the line is inhibited and the process ends\n");
    // Only now, so that a second thread's fault can't end the process before the line is inhibited.
    ::signal(signal, SIG_DFL);
    ::raise(signal);
}

[[noreturn]] void on_terminate() {
    inhibit_by_last_resort();
    say("dekeyd: an unhandled error; the line is inhibited and the process ends: ");
    if (const std::exception_ptr error = std::current_exception()) {
        try {
            std::rethrow_exception(error);
        } catch (const std::exception& known) {
            say({known.what(), ::strnlen(known.what(), 500)});
        } catch (...) {
            say("of an unknown kind");
        }
    }
    say("\n");
    ::_exit(exit_software);
}

}  // namespace

void install_last_resort(LineHolder* holder) {
    line_holder.store(holder);
    if (holder == nullptr) return;
    std::set_terminate(on_terminate);
    struct sigaction action {};
    action.sa_handler = on_fault;
    action.sa_flags = SA_ONSTACK;
    for (const int signal : fault_signals) ::sigaction(signal, &action, nullptr);
}

void inhibit_by_last_resort() noexcept {
    LineHolder* const holder = line_holder.load();
    if (holder == nullptr) return;
    if (holder->is_mine()) {
        holder->inhibit_now();
        return;
    }
    holder->ask_to_inhibit();
    constexpr timespec millisecond{.tv_sec = 0, .tv_nsec = 1000000};
    for (int waited = 0; waited < 100 && !holder->has_inhibited(); ++waited) ::nanosleep(&millisecond, nullptr);
}

AlternateStack::AlternateStack() : memory_{std::make_unique<char[]>(alternate_bytes)} {
    stack_t stack{};
    stack.ss_sp = memory_.get();
    stack.ss_size = alternate_bytes;
    ::sigaltstack(&stack, nullptr);
}

AlternateStack::~AlternateStack() {
    stack_t none{};
    none.ss_flags = SS_DISABLE;
    ::sigaltstack(&none, nullptr);
}

}  // namespace dekeyd
