#include "base/last_resort.hpp"

#include <doctest/doctest.h>
#include <signal.h>
#include <sys/syscall.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

#include <atomic>
#include <functional>
#include <stdexcept>
#include <thread>

#include "base/thread.hpp"

using namespace dekeyd;
using namespace std::chrono_literals;

namespace {

std::atomic<int> pauses_of_a_millisecond{0};

}  // namespace

/// In the C library's place: counts.
extern "C" int nanosleep(const timespec* length, timespec* left) {
    if (length->tv_sec == 0 && length->tv_nsec == 1000000) ++pauses_of_a_millisecond;
    return static_cast<int>(::syscall(SYS_nanosleep, length, left));
}

namespace {

/// Tells by one byte in a pipe, which outlives the process that dies here.
class Holder final : public LineHolder {
public:
    explicit Holder(int pipe) : pipe_{pipe} {}
    [[nodiscard]] bool is_mine() const noexcept override { return owner_ == std::this_thread::get_id(); }
    void inhibit_now() noexcept override { done('N'); }
    void ask_to_inhibit() noexcept override { asked_ = true; }
    [[nodiscard]] bool has_inhibited() const noexcept override { return inhibited_; }

    /// The owner's work: does what it is asked to. It is still there when the process ends: of a thread that ended
    /// and that nobody joined, the thread sanitizer complains.
    [[noreturn]] void own() {
        owner_ = std::this_thread::get_id();
        while (!asked_) std::this_thread::sleep_for(1ms);
        done('A');
        while (true) ::pause();
    }
    void own_here() { owner_ = std::this_thread::get_id(); }

private:
    void done(char how) noexcept {
        [[maybe_unused]] const ssize_t written = ::write(pipe_, &how, 1);
        inhibited_ = true;
    }
    int pipe_;
    std::atomic<std::thread::id> owner_{};
    std::atomic<bool> asked_{false}, inhibited_{false};
};

struct End {
    int status = 0;
    std::string inhibited;  ///< a letter each time
    std::string said;       ///< on standard error
};

/// What becomes of a process that does this.
End in_a_process(const std::function<void(Holder&)>& work) {
    int ends[2] = {-1, -1}, words[2] = {-1, -1};
    REQUIRE(::pipe(ends) == 0);
    REQUIRE(::pipe(words) == 0);
    const pid_t child = ::fork();
    REQUIRE(child >= 0);
    if (child == 0) {
        // The runner's own handlers would make a report of it.
        for (const int signal : {SIGSEGV, SIGABRT, SIGTERM, SIGFPE, SIGILL, SIGBUS}) ::signal(signal, SIG_DFL);
        ::close(ends[0]);
        ::dup2(words[1], STDERR_FILENO);
        ::close(words[1]);
        auto* const holder = new Holder{ends[1]};
        install_last_resort(holder);
        work(*holder);
        ::_exit(0);
    }
    ::close(ends[1]);
    ::close(words[1]);
    End end;
    char letter = 0;
    while (::read(ends[0], &letter, 1) == 1) end.inhibited += letter;
    while (::read(words[0], &letter, 1) == 1) end.said += letter;
    ::close(ends[0]);
    ::close(words[0]);
    ::waitpid(child, &end.status, 0);
    return end;
}

}  // namespace

TEST_CASE("an exception that nobody caught: the owner is asked, then the process ends") {
    const End end = in_a_process([](Holder& holder) {
        Thread owner, other;
        owner.start("owner", Thread::ordinary, [&] { holder.own(); });
        other.start("other", Thread::ordinary, [] { throw std::runtime_error{"no room"}; });
        std::this_thread::sleep_for(30s);
    });
    CHECK(end.inhibited == "A");
    CHECK(WIFEXITED(end.status));
    CHECK(WEXITSTATUS(end.status) == 70);
    CHECK(end.said == "dekeyd: an unhandled error; the line is inhibited and the process ends: no room\n");
}

TEST_CASE("of a long error 500 bytes are said") {
    const End end = in_a_process([](Holder& holder) {
        holder.own_here();
        Thread other;
        other.start("other", Thread::ordinary, [] { throw std::runtime_error{std::string(501, 'x')}; });
        std::this_thread::sleep_for(30s);
    });
    CHECK(end.said.ends_with(" ends: " + std::string(500, 'x') + "\n"));
}

TEST_CASE("an exception on the owner's own thread: it inhibits itself") {
    const End end = in_a_process([](Holder& holder) {
        Thread owner;
        owner.start("owner", Thread::ordinary, [&] {
            holder.own_here();
            throw 5;
        });
        std::this_thread::sleep_for(30s);
    });
    CHECK(end.inhibited == "N");
    CHECK(WEXITSTATUS(end.status) == 70);
    CHECK(end.said.ends_with(" ends: of an unknown kind\n"));
}

TEST_CASE("a fault signal inhibits, and ends the process by that signal") {
    for (const int signal : {SIGABRT, SIGSEGV, SIGBUS, SIGFPE, SIGILL}) {
        CAPTURE(signal);
        const End end = in_a_process([=](Holder& holder) {
            Thread owner;
            owner.start("owner", Thread::ordinary, [&] { holder.own(); });
            ::raise(signal);
        });
        CHECK(end.inhibited == "A");
        CHECK(WIFSIGNALED(end.status));
        CHECK(WTERMSIG(end.status) == signal);
        CHECK(end.said == "dekeyd: a fault of the program itself; the line is inhibited and the process ends\n");
    }
}

namespace {

int deeper(int depth) {  // NOLINT(misc-no-recursion)
    volatile char room[4096];
    room[0] = static_cast<char>(depth);
    return depth < 0 ? 0 : deeper(depth + 1) + room[0];
}

stack_t signal_stack() {
    stack_t stack{};
    ::sigaltstack(nullptr, &stack);
    return stack;
}

}  // namespace

TEST_CASE("a stack that overflows inhibits, too") {
    const End end = in_a_process([](Holder& holder) {
        Thread owner;
        owner.start("owner", Thread::ordinary, [&] {
            holder.own_here();
            ::_exit(deeper(0));
        });
        std::this_thread::sleep_for(30s);
    });
    CHECK(end.inhibited == "N");
    CHECK(WIFSIGNALED(end.status));
    CHECK(WTERMSIG(end.status) == SIGSEGV);
}

TEST_CASE("a stack for signals is let go with what made it") {
    std::thread{[] {
        {
            const AlternateStack stack;
            CHECK((signal_stack().ss_flags & SS_DISABLE) == 0);
            CHECK(signal_stack().ss_sp != nullptr);
        }
        CHECK((signal_stack().ss_flags & SS_DISABLE) != 0);
    }}.join();
}

TEST_CASE("an owner that doesn't answer can't keep the process alive") {
    const End end = in_a_process([](Holder&) { ::raise(SIGABRT); });
    CHECK(end.inhibited.empty());
    CHECK(WTERMSIG(end.status) == SIGABRT);
    const End waited = in_a_process([](Holder&) {
        pauses_of_a_millisecond = 0;
        inhibit_by_last_resort();
        ::_exit(pauses_of_a_millisecond);
    });
    CHECK(WEXITSTATUS(waited.status) == 100);
}

TEST_CASE("without a holder nothing is done") {
    install_last_resort(nullptr);
    inhibit_by_last_resort();
}
