#include "bench/control.hpp"

#include <doctest/doctest.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <unistd.h>

#include <cstring>
#include <string>

#include "temporary.hpp"

using namespace bench;

namespace {

struct Caller {
    int descriptor = ::socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0);
    explicit Caller(const std::string& path) {
        sockaddr_un address{};
        address.sun_family = AF_UNIX;
        std::memcpy(address.sun_path, path.c_str(), path.size() + 1);
        REQUIRE(::connect(descriptor, reinterpret_cast<const sockaddr*>(&address), sizeof address) == 0);
    }
    ~Caller() { ::close(descriptor); }
    Caller(const Caller&) = delete;
    Caller& operator=(const Caller&) = delete;
    void say(const std::string& text) const {
        REQUIRE(::send(descriptor, text.data(), text.size(), MSG_NOSIGNAL) == static_cast<ssize_t>(text.size()));
    }
    /// What is there to be read, without waiting.
    [[nodiscard]] std::string heard() const {
        std::string text(8192, '\0');
        const ssize_t got = ::recv(descriptor, text.data(), text.size(), MSG_DONTWAIT);
        text.resize(static_cast<std::size_t>(got < 0 ? 0 : got));
        return text;
    }
};

std::string echo(std::string_view line) {
    return "<" + std::string(line) + ">";
}

}  // namespace

TEST_CASE("lines out of pieces; a line without end is cut once") {
    LineBuffer buffer;
    std::string line;
    buffer.add("ke");
    CHECK_FALSE(buffer.next(line));
    buffer.add("y on\nstatus\nrest");
    CHECK(buffer.next(line));
    CHECK(line == "key on");
    CHECK(buffer.next(line));
    CHECK(line == "status");
    CHECK_FALSE(buffer.next(line));
    buffer.add(std::string(10000, 'x'));
    CHECK(buffer.next(line));
    CHECK(line.size() == 4096);
    CHECK_FALSE(buffer.next(line));
    buffer.add("yyy\nafter\n");
    CHECK(buffer.next(line));
    CHECK(line == "after");
}

TEST_CASE("several callers, several lines each, and callers that leave") {
    const TemporaryFolder folder;
    const std::string path = (folder.path / "control").string();
    Control control(path);
    const Caller first(path);
    {
        const Caller second(path);
        first.say("a\nb\nhal");
        second.say("c\n");
        control.poll(echo);
        CHECK(first.heard() == "<a>\n<b>\n");
        CHECK(second.heard() == "<c>\n");
        second.say("left behind\n");
    }
    first.say("f\n");
    control.poll(echo);
    control.poll(echo);
    CHECK(first.heard() == "<half>\n");
}

TEST_CASE("a socket left by a killed bench is taken over, one that answers is not; it goes with the bench") {
    const TemporaryFolder folder;
    const std::string path = (folder.path / "control").string();
    {
        // Bound and closed without unlinking: what SIGKILL leaves.
        sockaddr_un address{};
        address.sun_family = AF_UNIX;
        std::memcpy(address.sun_path, path.c_str(), path.size() + 1);
        const int left = ::socket(AF_UNIX, SOCK_STREAM, 0);
        REQUIRE(::bind(left, reinterpret_cast<const sockaddr*>(&address), sizeof address) == 0);
        ::close(left);
    }
    {
        Control control(path);
        CHECK_THROWS(Control(path));
        const Caller caller(path);
        caller.say("still here\n");
        control.poll(echo);
        CHECK(caller.heard() == "<still here>\n");
    }
    CHECK_FALSE(std::filesystem::exists(path));
    CHECK_THROWS(Control(std::string(300, 'x')));
    CHECK_THROWS(Control(""));
    std::ofstream(folder.path / "plain") << "not a socket";
    CHECK_THROWS(Control((folder.path / "plain").string()));
    CHECK(content(folder.path / "plain") == "not a socket");
}
