// The stop hook as the service calls it: the real program.
#include <doctest/doctest.h>
#include <fcntl.h>
#include <sys/file.h>
#include <sys/inotify.h>
#include <sys/wait.h>
#include <unistd.h>

#include <chrono>
#include <cstdlib>
#include <fstream>
#include <future>
#include <iterator>

#include "drivers/fake_gpio.hpp"
#include "drivers/line.hpp"
#include "drivers/tree.hpp"

using namespace dekeyd;
using drivers::LineAddress;
using test::holds;
using test::Tree;

namespace {

struct Outcome {
    int code = -1;
    std::string text;
};

Outcome run(const std::vector<std::string>& arguments, bool without_error_output = false) {
    int channel[2];
    REQUIRE(::pipe2(channel, O_CLOEXEC) == 0);
    const char* const changed = std::getenv("DEKEYD_CHANGED_PROGRAM");  // by tools/mutate
    std::vector<char*> words{const_cast<char*>(changed != nullptr ? changed : DEKEYD_INHIBIT_PROGRAM)};
    for (const std::string& argument : arguments) words.push_back(const_cast<char*>(argument.c_str()));
    words.push_back(nullptr);
    const pid_t child = ::fork();
    REQUIRE(child >= 0);
    if (child == 0) {
        ::dup2(channel[1], STDOUT_FILENO);
        if (without_error_output)
            ::close(STDERR_FILENO);
        else
            ::dup2(channel[1], STDERR_FILENO);
        ::execv(words[0], words.data());
        ::_exit(127);
    }
    ::close(channel[1]);
    Outcome outcome;
    char buffer[512];
    for (ssize_t size = 0; (size = ::read(channel[0], buffer, sizeof buffer)) > 0;) {
        outcome.text.append(buffer, static_cast<std::size_t>(size));
    }
    ::close(channel[0]);
    int status = 0;
    REQUIRE(::waitpid(child, &status, 0) == child);
    REQUIRE(WIFEXITED(status));
    outcome.code = WEXITSTATUS(status);
    return outcome;
}

LineAddress at(const std::string& path) {
    return {.driver = LineAddress::Driver::file, .chip = {}, .line = {}, .permit_high = true, .path = path};
}

std::string content(const std::string& path) {
    std::ifstream file(path, std::ios::binary);
    return {std::istreambuf_iterator<char>(file), {}};
}

}  // namespace

TEST_CASE("stop hook: drives a line that was left at permit to inhibit") {
    const Tree tree;
    tree.write("line", "1\n");
    tree.write("address", drivers::to_text(at(tree.path("line"))) + "\n");
    const Outcome outcome = run({tree.path("address")});
    CHECK(outcome.code == 0);
    CHECK(holds(outcome.text, "inhibited: file " + tree.path("line")));
    CHECK(content(tree.path("line")) == "0\n");
}

TEST_CASE("stop hook: several lines, each whatever became of the others, and the worst code") {
    const Tree tree;
    tree.write("one", "1\n");
    tree.write("two", "1\n");
    tree.write("good-one", drivers::to_text(at(tree.path("one"))));
    tree.write("good-two", drivers::to_text(at(tree.path("two"))));
    tree.write("lost", drivers::to_text(at(tree.path("none/line"))));
    tree.write("odd", "odd");
    CHECK(run({tree.path("good-one"), tree.path("absent"), tree.path("good-two")}).code == 0);
    CHECK(content(tree.path("one")) == "0\n");
    CHECK(content(tree.path("two")) == "0\n");
    tree.write("two", "1\n");
    CHECK(run({tree.path("odd"), tree.path("lost"), tree.path("odd"), tree.path("good-two")}).code == 1);
    CHECK(content(tree.path("two")) == "0\n");
    CHECK(run({tree.path("good-one"), tree.path("odd")}).code == 2);
}

TEST_CASE("stop hook: in a daemon's folder a line that is inhibited is forgotten, unless the daemon lives") {
    const Tree tree;
    tree.write("line", "1\n");
    tree.write("lock", "");
    const std::string address = drivers::to_text(at(tree.path("line"))) + "\n";
    tree.write("address", address);
    const int lock = ::open(tree.path("lock").c_str(), O_RDONLY | O_CLOEXEC);
    REQUIRE(::flock(lock, LOCK_EX) == 0);
    CHECK(run({tree.path("address")}).code == 0);
    CHECK(content(tree.path("address")) == address);
    ::close(lock);
    const Outcome forgotten = run({tree.path("address")});
    CHECK(forgotten.code == 0);
    CHECK_FALSE(holds(forgotten.text, "can't be removed"));
    CHECK(content(tree.path("line")) == "0\n");
    tree.write("line", "1\n");
    CHECK(holds(run({tree.path("address")}).text, "is absent"));
    CHECK(content(tree.path("line")) == "1\n");
    // What could not be inhibited stays to be tried again.
    tree.write("address", drivers::to_text(at(tree.path("none/line"))));
    CHECK(run({tree.path("address")}).code == 1);
    CHECK(run({tree.path("address")}).code == 1);
}

TEST_CASE("stop hook: no run-time file means that no line was taken") {
    const Tree tree;
    const Outcome outcome = run({tree.path("address")});
    CHECK(outcome.code == 0);
    CHECK(holds(outcome.text, "is absent"));
}

TEST_CASE("stop hook: what it can't read or understand is said, with another exit code") {
    const Tree tree;
    tree.folder("folder");
    tree.fifo("pipe");
    tree.write("empty", "");
    tree.write("half", drivers::to_text(at(tree.path("line"))).substr(0, 40));
    tree.write("huge", std::string(100'000, 'x'));
    for (const char* name : {"folder", "pipe", "empty", "half", "huge"}) {
        CAPTURE(name);
        const Outcome outcome = run({tree.path(name)});
        CHECK(outcome.code == 2);
        CHECK(holds(outcome.text, tree.path(name)));
    }
    CHECK(holds(run({tree.path("folder")}).text, "Is a directory"));
    CHECK(holds(run({tree.path("empty")}).text, "not a line's address"));
    CHECK(run({}).code == 2);
    CHECK(run({"-x"}).code == 2);
    CHECK(run({"--version"}).code == 0);
    CHECK(holds(run({"--version"}).text, "dekeyd-inhibit "));
    CHECK(run({"--version", tree.path("empty")}).code == 2);
    CHECK(holds(run({"--help"}).text, "usage: dekeyd-inhibit"));
}

TEST_CASE("stop hook: a line that isn't there is not inhibited") {
    const Tree tree;
    tree.write("address", drivers::to_text(at(tree.path("none/line"))));
    const Outcome absent = run({tree.path("address")});
    CHECK(absent.code == 1);
    CHECK(holds(absent.text, "not inhibited"));
    tree.write("address", drivers::to_text({.driver = LineAddress::Driver::gpio,
                                            .chip = "no-such-chip",
                                            .line = "1",
                                            .permit_high = true,
                                            .path = {}}));
    const Outcome gpio = run({tree.path("address")});
    CHECK(gpio.code == 1);
    CHECK(holds(gpio.text, "no-such-chip"));
}

TEST_CASE("stop hook: a line that can't be read back isn't inhibited, and its run-time file stays") {
    const Tree tree;
    tree.write("line", "1\n");
    tree.write("lock", "");
    const int gone = ::open(tree.path("line").c_str(), O_RDWR | O_CLOEXEC);
    REQUIRE(gone >= 0);
    REQUIRE(::unlink(tree.path("line").c_str()) == 0);  // it takes each write still, and no reader finds it
    const std::string path = "/proc/" + std::to_string(::getpid()) + "/fd/" + std::to_string(gone);
    const std::string address = drivers::to_text(at(path));
    tree.write("address", address);
    const auto level = [gone] {
        char text[512] = {};
        CHECK(::pread(gone, text, sizeof text - 1, 0) > 0);
        return std::string{text};
    };
    const Outcome outcome = run({tree.path("address")});
    CHECK(outcome.code == 1);
    CHECK(holds(outcome.text, "can't be read back; switch the amplifier off by hand and check the wiring"));
    CHECK(level() == "0\n");
    CHECK(content(tree.path("address")) == address);
    // A caller without a standard error: what is said must not go into the line, which then has that number.
    CHECK(run({tree.path("address")}, true).code == 1);
    CHECK(level() == "0\n");
    ::close(gone);
}

namespace {

/// How often a file is opened. Each opening is followed by a closing, so that the kernel joins no two of them.
class Openings {
public:
    explicit Openings(const std::string& path) : watch_{::inotify_init1(IN_NONBLOCK | IN_CLOEXEC)} {
        REQUIRE(::inotify_add_watch(watch_, path.c_str(), IN_OPEN | IN_CLOSE) >= 0);
    }
    Openings(const Openings&) = delete;
    Openings& operator=(const Openings&) = delete;
    ~Openings() { ::close(watch_); }
    int count() {
        inotify_event event{};  // of a file, not a folder: without a name
        while (::read(watch_, &event, sizeof event) == sizeof event) count_ += (event.mask & IN_OPEN) != 0 ? 1 : 0;
        return count_;
    }

private:
    int watch_;
    int count_ = 0;
};

}  // namespace

TEST_CASE("stop hook: waits for a busy line, up to a second") {
    const Tree tree;
    tree.write("lock", "");
    tree.write("address", drivers::to_text(at(tree.path("line"))));
    auto holder = drivers::open_line(at(tree.path("line")));
    CHECK(holder->write(true));
    Openings openings{tree.path("line")};
    const auto begin = std::chrono::steady_clock::now();
    const Outcome refused = run({tree.path("address")});
    const auto took = std::chrono::steady_clock::now() - begin;
    CHECK(refused.code == 1);
    CHECK(holds(refused.text, "held by another program"));
    CHECK(openings.count() == 21);  // and 20 pauses of 50 ms between them
    CHECK(took >= std::chrono::seconds(1));
    CHECK(took < std::chrono::seconds(15));

    // Released while it waits: a process that is being killed goes at last. Its run-time file may be gone by then.
    std::future<Outcome> waiting = std::async(std::launch::async, [&] { return run({tree.path("address")}); });
    while (openings.count() < 22 && waiting.wait_for(std::chrono::milliseconds(1)) == std::future_status::timeout) {
    }
    CHECK(::unlink(tree.path("address").c_str()) == 0);
    holder.reset();
    const Outcome inhibited = waiting.get();
    CHECK(inhibited.code == 0);
    CHECK(holds(inhibited.text, "address can't be removed: No such file or directory"));
    CHECK(content(tree.path("line")) == "0\n");
}
