#include "base/connection.hpp"

#include <doctest/doctest.h>
#include <sys/stat.h>

#include <filesystem>

#include "fake_daemon.hpp"

using namespace dekeyd;
using namespace std::chrono_literals;

TEST_CASE("one request, one answer") {
    FakeDaemon daemon{
        [](const std::string& request) { return std::vector<std::string>{"{\"heard\":" + request + "}"}; }};
    CHECK(ask(daemon.path(), R"({"ask":"status"})") == R"({"heard":{"ask":"status"}})");
}

TEST_CASE("a stream comes line by line, however it was cut") {
    FakeDaemon daemon{[](const std::string&) {
        return std::vector<std::string>{"one", "two", std::string(200000, 'x')};
    }};
    Connection connection{daemon.path()};
    connection.send("watch");
    CHECK(connection.receive(10s) == "one");
    CHECK(connection.receive(10s) == "two");
    CHECK(connection.receive(10s)->size() == 200000);
    CHECK_FALSE(connection.receive(0ms));
}

TEST_CASE("each way of not being there has its words") {
    CHECK_THROWS_WITH_AS(Connection{"/nowhere/at/all"}, doctest::Contains("is dekeyd running"), Unreachable);
    CHECK_THROWS_WITH_AS(Connection{std::string(200, 'x')}, doctest::Contains("107 bytes"), Unreachable);
    std::string left;
    {
        FakeDaemon daemon{[](const std::string&) { return std::vector<std::string>{}; }};
        left = daemon.path();
        daemon.leave_socket();
    }
    CHECK_THROWS_WITH_AS(Connection{left}, doctest::Contains("nothing listens"), Unreachable);
    std::filesystem::remove_all(std::filesystem::path{left}.parent_path());
}

TEST_CASE("a daemon that says nothing, or goes, is reported") {
    FakeDaemon mute{[](const std::string&) { return std::vector<std::string>{}; }};
    CHECK_THROWS_WITH_AS(ask(mute.path(), "x", 50ms), doctest::Contains("no answer"), Unreachable);
    FakeDaemon leaving{[](const std::string&) { return std::vector<std::string>{FakeDaemon::hang_up}; }};
    CHECK_THROWS_WITH_AS(ask(leaving.path(), "x"), doctest::Contains("closed the connection"), Unreachable);
}
