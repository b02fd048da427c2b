#include "base/service_manager.hpp"

#include <doctest/doctest.h>

#include <sys/socket.h>
#include <sys/un.h>
#include <unistd.h>

#include <array>
#include <cstdlib>
#include <cstring>

#include "temporary_folder.hpp"

using namespace dekeyd;
using namespace std::chrono_literals;

namespace {

constexpr std::array<core::Duration, 3> oldest{100ms, 5s, 0s};

core::Instant at(core::Duration since_boot) {
    return core::Instant{since_boot};
}

}  // namespace

TEST_CASE("petted only when the guard has decided since") {
    WatchdogRule rule;
    const std::array scans{at(100s), at(100s), at(100s)};
    CHECK_FALSE(rule.may_pet(at(100s), 0, false, scans, oldest));
    CHECK(rule.may_pet(at(100s), 1, false, scans, oldest));
    CHECK_FALSE(rule.may_pet(at(101s), 1, false, scans, oldest));
    CHECK(rule.may_pet(at(102s), 2, false, scans, oldest));
}

TEST_CASE("a jammed bus withholds it only while the line permits") {
    WatchdogRule rule;
    const std::array jammed{at(90s), at(100s), at(100s)};
    CHECK_FALSE(rule.may_pet(at(100s), 1, true, jammed, oldest));
    CHECK(rule.may_pet(at(100s), 1, false, jammed, oldest));
    CHECK_FALSE(rule.may_pet(at(100s), 2, true, jammed, oldest));
}

TEST_CASE("each bus has its own age, and one that nothing depends on has none") {
    WatchdogRule rule;
    CHECK(rule.may_pet(at(100s), 1, true, std::array{at(99s), at(95s), at(1s)}, oldest));
    CHECK_FALSE(rule.may_pet(at(100s), 2, true, std::array{at(98s), at(95s), at(1s)}, oldest));
    CHECK_FALSE(rule.may_pet(at(100s), 2, true, std::array{at(99s), at(93s), at(1s)}, oldest));
    // Never read at all.
    CHECK_FALSE(rule.may_pet(at(100s), 2, true, std::array{core::Instant{}, at(95s), at(1s)}, oldest));
}

TEST_CASE("what is said comes to the manager's socket, and a manager that takes nothing holds nobody up") {
    const test::TemporaryFolder folder;
    const std::string path = folder / "notify";
    const int listener = ::socket(AF_UNIX, SOCK_DGRAM | SOCK_CLOEXEC, 0);
    sockaddr_un address{};
    address.sun_family = AF_UNIX;
    std::memcpy(address.sun_path, path.data(), path.size());
    REQUIRE(::bind(listener, static_cast<const sockaddr*>(static_cast<const void*>(&address)), sizeof address) == 0);
    ::setenv("NOTIFY_SOCKET", path.c_str(), 1);
    ::setenv("WATCHDOG_USEC", "2000000", 1);
    ::setenv("WATCHDOG_PID", std::to_string(::getpid()).c_str(), 1);
    const auto heard = [&] {
        char bytes[256];
        const ssize_t count = ::recv(listener, bytes, sizeof bytes, MSG_DONTWAIT);
        return count < 0 ? std::string{} : std::string(bytes, static_cast<std::size_t>(count));
    };
    {
        ServiceManager manager;
        CHECK(manager.watchdog() == 2s);
        CHECK(manager.ready());
        CHECK(heard() == "READY=1");
        manager.status("one\ntwo");
        CHECK(heard() == "STATUS=one two");
        manager.status("one\ntwo");
        CHECK(heard() == "");  // nothing new
        manager.pet();
        CHECK(heard() == "WATCHDOG=1");
        // It stands still: its queue fills, and then it is told so.
        bool taken = true;
        for (int i = 0; i < 100'000 && taken; ++i) taken = manager.ready();
        CHECK_FALSE(taken);
        manager.status("waits");
        while (!heard().empty()) {
        }
        manager.status("waits");
        CHECK(heard() == "STATUS=waits");
    }
    ::setenv("WATCHDOG_PID", "1", 1);
    CHECK_FALSE(ServiceManager{}.watchdog());  // another's
    ::unsetenv("NOTIFY_SOCKET");
    ::unsetenv("WATCHDOG_USEC");
    ::unsetenv("WATCHDOG_PID");
    CHECK(ServiceManager{}.ready());  // nobody listens, and that is well
    ::close(listener);
}
