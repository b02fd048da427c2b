#include "guard/own_folders.hpp"

#include <doctest/doctest.h>
#include <spdlog/sinks/ostream_sink.h>
#include <spdlog/spdlog.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <unistd.h>

#include <filesystem>
#include <fstream>
#include <sstream>
#include <string>

#include "base/exit_codes.hpp"
#include "temporary_folder.hpp"

using namespace dekeyd;

namespace {

/// The log as text, for as long as this lives.
class Log {
public:
    Log() : before_{spdlog::default_logger()} {
        spdlog::set_default_logger(
            std::make_shared<spdlog::logger>("test", std::make_shared<spdlog::sinks::ostream_sink_mt>(text_)));
    }
    ~Log() { spdlog::set_default_logger(before_); }
    Log(const Log&) = delete;
    Log& operator=(const Log&) = delete;

    [[nodiscard]] bool says(std::string_view part) const { return text_.str().find(part) != std::string::npos; }

private:
    std::ostringstream text_;
    std::shared_ptr<spdlog::logger> before_;
};

/// A state folder that is there, and a run folder that isn't.
struct Bench {
    test::TemporaryFolder top;
    formats::Configuration configuration;
    Log log;

    Bench() {
        configuration.state_directory = top / "state";
        configuration.run_directory = top / "run/dekeyd";
        std::filesystem::create_directory(configuration.state_directory);
    }
    [[nodiscard]] std::string read(const std::string& name) const {
        std::ifstream file{top / name};
        return {std::istreambuf_iterator<char>{file}, {}};
    }
    [[nodiscard]] bool has(const std::string& name) const { return std::filesystem::exists(top / name); }
};

const std::string me = std::to_string(::getpid()) + "\n";

}  // namespace

TEST_CASE("the run folder is made and says whose it is; the state's folder when it is told to") {
    Bench bench;
    OwnFolders folders;
    REQUIRE(folders.lock(bench.configuration) == 0);
    CHECK(bench.read("run/dekeyd/lock") == me);
    CHECK(bench.read("state/lock").empty());  // that may wait for the storage
    folders.tell_who();
    CHECK(bench.read("state/lock") == me);
}

TEST_CASE("where another has the state's folder, nothing is made, and the answer names it and its key") {
    Bench bench;
    FolderLock other;
    REQUIRE(other.lock(bench.configuration.state_directory) == FolderLock::Taken::yes);
    other.tell_who();
    OwnFolders folders;
    CHECK(folders.lock(bench.configuration) == exit_configuration);
    CHECK(bench.log.says("state is in use by process"));
    CHECK(bench.log.says("(paths: state:)"));
    CHECK_FALSE(bench.has("run"));
}

TEST_CASE("where another has the run folder, its lock keeps that one's name") {
    Bench bench;
    std::filesystem::create_directories(bench.configuration.run_directory);
    { std::ofstream{bench.top / "run/dekeyd/lock"} << "1\n"; }
    FolderLock other;
    REQUIRE(other.lock(bench.configuration.run_directory) == FolderLock::Taken::yes);
    OwnFolders folders;
    CHECK(folders.lock(bench.configuration) == exit_configuration);
    CHECK(bench.log.says("run/dekeyd is in use by process 1"));
    CHECK(bench.log.says("(paths: run:)"));
    CHECK(bench.read("run/dekeyd/lock") == "1\n");
}

TEST_CASE("a state folder that is missing is not made") {
    Bench bench;
    std::filesystem::remove(bench.configuration.state_directory);
    OwnFolders folders;
    CHECK(folders.lock(bench.configuration) == exit_cannot_create);
    CHECK(bench.log.says("state/lock: No such file or directory"));
    CHECK_FALSE(bench.has("state"));
    CHECK_FALSE(bench.has("run"));
}

TEST_CASE("a run folder that can't be made") {
    Bench bench;
    { std::ofstream{bench.top / "run"} << "a file\n"; }
    OwnFolders folders;
    CHECK(folders.lock(bench.configuration) == exit_cannot_create);
    CHECK(bench.log.says("(paths: run:)"));
}

TEST_CASE("a lock that is a link to elsewhere isn't followed") {
    Bench bench;
    std::filesystem::create_symlink(bench.top / "elsewhere", bench.top / "state/lock");
    OwnFolders folders;
    CHECK(folders.lock(bench.configuration) == exit_cannot_create);
    CHECK_FALSE(bench.has("elsewhere"));
    CHECK_FALSE(bench.has("run"));
    { std::ofstream{bench.top / "elsewhere"} << "1\n"; }
    CHECK(folders.lock(bench.configuration) == exit_cannot_create);
    CHECK_FALSE(bench.has("run"));
}

TEST_CASE("a state folder of another user, or one that may not be written, is refused") {
    Bench bench;
    REQUIRE(::chmod(bench.top.path().c_str(), 0755) == 0);
    REQUIRE(::chmod(bench.configuration.state_directory.c_str(), 0555) == 0);
    const pid_t child = ::fork();
    REQUIRE(child >= 0);
    if (child == 0) {
        constexpr uid_t another = 65534;
        if (::geteuid() == 0 && ::setresuid(another, another, another) != 0) ::_exit(99);
        OwnFolders folders;
        ::_exit(folders.lock(bench.configuration));
    }
    int status = 0;
    REQUIRE(::waitpid(child, &status, 0) == child);
    REQUIRE(WIFEXITED(status));
    CHECK(WEXITSTATUS(status) == exit_cannot_create);
}
