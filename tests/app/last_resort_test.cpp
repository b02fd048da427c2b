#include "base/last_resort.hpp"

#include <doctest/doctest.h>
#include <signal.h>
#include <sys/wait.h>
#include <unistd.h>

#include <atomic>
#include <functional>
#include <stdexcept>
#include <thread>

#include "base/thread.hpp"

using namespace dekeyd;
using namespace std::chrono_literals;

namespace {

/// Tells by one byte in a pipe, which outlives the process that dies here.
class Holder final : public LineHolder {
public:
    explicit Holder(int pipe) : pipe_{pipe} {}
    [[nodiscard]] bool is_mine() const noexcept override { return owner_ == std::this_thread::get_id(); }
    void inhibit_now() noexcept override { done('N'); }
    void ask_to_inhibit() noexcept override { asked_ = true; }
    [[nodiscard]] bool has_inhibited() const noexcept override { return inhibited_; }

    /// The owner's work: does what it is asked to.
    void own() {
        owner_ = std::this_thread::get_id();
        while (!asked_) std::this_thread::sleep_for(1ms);
        done('A');
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
};

/// What becomes of a process that does this.
End in_a_process(const std::function<void(Holder&)>& work) {
    int ends[2] = {-1, -1};
    REQUIRE(::pipe(ends) == 0);
    const pid_t child = ::fork();
    REQUIRE(child >= 0);
    if (child == 0) {
        // The runner's own handlers would make a report of it.
        for (const int signal : {SIGSEGV, SIGABRT, SIGTERM, SIGFPE, SIGILL, SIGBUS}) ::signal(signal, SIG_DFL);
        ::close(ends[0]);
        ::close(STDERR_FILENO);
        auto* const holder = new Holder{ends[1]};
        install_last_resort(holder);
        work(*holder);
        ::_exit(0);
    }
    ::close(ends[1]);
    End end;
    char letter = 0;
    while (::read(ends[0], &letter, 1) == 1) end.inhibited += letter;
    ::close(ends[0]);
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
    }
}

TEST_CASE("an owner that doesn't answer can't keep the process alive") {
    const End end = in_a_process([](Holder&) { ::raise(SIGABRT); });
    CHECK(end.inhibited.empty());
    CHECK(WTERMSIG(end.status) == SIGABRT);
}

TEST_CASE("without a holder nothing is done") {
    install_last_resort(nullptr);
    inhibit_by_last_resort();
}
