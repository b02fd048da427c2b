// The program itself: how it starts, and that it always ends.
#include <doctest/doctest.h>
#include <fcntl.h>
#include <signal.h>
#include <spawn.h>
#include <sys/wait.h>
#include <unistd.h>

#include <chrono>
#include <functional>
#include <string>
#include <thread>
#include <vector>

#include "temporary.hpp"

namespace {

/// Waits for a condition, with a wide cap.
bool comes_true(const std::function<bool()>& condition) {
    for (int i = 0; i < 4000; ++i) {
        if (condition()) return true;
        std::this_thread::sleep_for(std::chrono::milliseconds(5));
    }
    return false;
}

/// The program with its standard input in our hand and both outputs in a file. Killed, should it be left over.
class Program {
public:
    Program(const std::filesystem::path& folder, std::vector<std::string> arguments) : output_(folder / "output") {
        int ends[2];
        REQUIRE(::pipe2(ends, O_CLOEXEC) == 0);
        posix_spawn_file_actions_t actions;
        ::posix_spawn_file_actions_init(&actions);
        ::posix_spawn_file_actions_adddup2(&actions, ends[0], 0);
        ::posix_spawn_file_actions_addopen(&actions, 1, output_.c_str(), O_WRONLY | O_CREAT | O_TRUNC, 0644);
        ::posix_spawn_file_actions_adddup2(&actions, 1, 2);
        arguments.insert(arguments.begin(), DEKEYD_BENCH);
        std::vector<char*> words;
        for (std::string& argument : arguments) words.push_back(argument.data());
        words.push_back(nullptr);
        REQUIRE(::posix_spawn(&process_, DEKEYD_BENCH, &actions, nullptr, words.data(), environ) == 0);
        ::posix_spawn_file_actions_destroy(&actions);
        ::close(ends[0]);
        input_ = ends[1];
    }
    ~Program() {
        close_input();
        if (!ended_) {
            ::kill(process_, SIGKILL);
            ::waitpid(process_, nullptr, 0);
        }
    }
    Program(const Program&) = delete;
    Program& operator=(const Program&) = delete;

    void send(int signal) const { REQUIRE(::kill(process_, signal) == 0); }
    void say(const std::string& text) const {
        REQUIRE(::write(input_, text.data(), text.size()) == static_cast<ssize_t>(text.size()));
    }
    void close_input() {
        if (input_ >= 0) ::close(input_);
        input_ = -1;
    }
    /// Its exit status; -1 when it didn't end, or not by itself.
    int status() {
        int raw = 0;
        ended_ = comes_true([&] { return ::waitpid(process_, &raw, WNOHANG) == process_; });
        return ended_ && WIFEXITED(raw) ? WEXITSTATUS(raw) : -1;
    }
    [[nodiscard]] std::string output() const { return content(output_); }

private:
    std::filesystem::path output_;
    pid_t process_ = -1;
    int input_ = -1;
    bool ended_ = false;
};

struct Place {
    TemporaryFolder folder;
    [[nodiscard]] std::string at(const char* below) const { return (folder.path / below).string(); }
    [[nodiscard]] std::vector<std::string> run(std::vector<std::string> more = {}) const {
        std::vector<std::string> all{"run", "--root", at("sys"), "--line", at("line"), "--control", at("control")};
        all.insert(all.end(), more.begin(), more.end());
        return all;
    }
    [[nodiscard]] bool up() const {
        return comes_true([&] { return std::filesystem::exists(at("control")); });
    }
};

}  // namespace

TEST_CASE("each of the usual signals ends it cleanly") {
    for (const int signal : {SIGTERM, SIGINT, SIGHUP}) {
        CAPTURE(signal);
        const Place place;
        Program program(place.folder.path, place.run());
        REQUIRE(place.up());
        program.send(signal);
        CHECK(program.status() == 0);
        CHECK_FALSE(std::filesystem::exists(place.at("control")));
        CHECK_FALSE(std::filesystem::exists(place.at("sys/class/hwmon/hwmon0")));
        CHECK(program.output().empty());
    }
}

TEST_CASE("with --stdin it takes commands there and ends when its parent is gone") {
    const Place place;
    Program program(place.folder.path, place.run({"--stdin"}));
    REQUIRE(place.up());
    program.say("key on\nkey maybe\n");
    CHECK(comes_true([&] { return program.output().find("\"ok\":false") != std::string::npos; }));
    CHECK(program.output().find("{\"ok\":true,\"at_ns\":") == 0);
    program.close_input();
    CHECK(program.status() == 0);
}

TEST_CASE("without --stdin a closed standard input is nothing") {
    const Place place;
    Program program(place.folder.path, place.run({"--for", "0.2"}));
    program.close_input();
    REQUIRE(place.up());
    CHECK(program.status() == 0);
}

TEST_CASE("what is wrong is said, and the exit status is not 0") {
    const Place place;
    const auto says = [&](std::vector<std::string> arguments, const char* text) {
        Program program(place.folder.path, std::move(arguments));
        CHECK(program.status() > 0);
        CAPTURE(program.output());
        CHECK(program.output().find(text) != std::string::npos);
    };
    says({}, "subcommand");
    says({"run"}, "--root");
    says({"run", "--root", "/sys", "--line", place.at("line")}, "expected a folder of its own");
    says(place.run({"--scenario", place.at("none")}), "cannot be read");
    says(place.run({"--report", "/nowhere/report"}), "--report /nowhere/report");
    says(place.run({"--thermal-speed", "0"}), "--thermal-speed");
    std::ofstream(place.at("story")) << "at 1 s: sing\n";
    says(place.run({"--scenario", place.at("story")}), "story:1: expected key, drive,");
}

TEST_CASE("help lists the commands, simulate prints a table") {
    const Place place;
    Program help(place.folder.path, {"--help"});
    CHECK(help.status() == 0);
    for (const char* word : {"antenna good|wet|open|short", "sensor heatsink|air", "thermal-speed", "status"}) {
        CHECK(help.output().find(word) != std::string::npos);
    }
    Program table(place.folder.path, {"simulate", "--for", "2", "--every", "1"});
    CHECK(table.status() == 0);
    CHECK(table.output().find("t,forward_w,reflected_w,vswr") == 0);
}
