#include "control/client.hpp"

#include <doctest/doctest.h>
#include <sys/socket.h>
#include <unistd.h>

#include <string>
#include <utility>
#include <vector>

using namespace dekeyd;
using namespace std::chrono_literals;

namespace {

constexpr core::Instant start{100s};

/// A client and the other end of its socket.
struct Pair {
    int peer = -1;
    ControlClient client{-1, start};
    std::vector<std::string> lines;

    Pair() {
        int ends[2] = {-1, -1};
        REQUIRE(::socketpair(AF_UNIX, SOCK_STREAM | SOCK_NONBLOCK, 0, ends) == 0);
        peer = ends[0];
        client.descriptor = ends[1];
    }
    ~Pair() {
        if (peer >= 0) ::close(peer);
        ::close(client.descriptor);
    }
    Pair(const Pair&) = delete;
    Pair& operator=(const Pair&) = delete;
    void say(const std::string& text) const {
        REQUIRE(::send(peer, text.data(), text.size(), 0) == static_cast<ssize_t>(text.size()));
    }
    void receive(core::Instant now) {
        client.receive(now, [&](ControlClient&, std::string_view line) { lines.emplace_back(line); });
    }
};

}  // namespace

TEST_CASE("whole lines count as asking, half a line doesn't") {
    Pair pair;
    pair.say("one\ntwo\nthr");
    pair.receive(start + 1s);
    CHECK(pair.lines == std::vector<std::string>{"one", "two"});
    CHECK(pair.client.asked_at == start + 1s);
    pair.say("e");
    pair.receive(start + 2s);
    CHECK(pair.client.asked_at == start + 1s);
    pair.say("e\n");
    pair.receive(start + 3s);
    CHECK(pair.lines.back() == "three");
    CHECK(pair.client.asked_at == start + 3s);
}

TEST_CASE("a client that has gone is known to have, with the line that it left; nothing to read is no end") {
    Pair pair;
    pair.receive(start);
    CHECK_FALSE(pair.client.drop);
    pair.say("reset\n");
    ::close(std::exchange(pair.peer, -1));
    pair.receive(start);
    CHECK(pair.lines.size() == 1);
    CHECK(pair.client.gone);
    pair.receive(start);
    CHECK(pair.client.drop);
}

TEST_CASE("how long it hasn't read: from the first turn that left something, and anew with each byte that it takes") {
    Pair pair;
    CHECK_FALSE(pair.client.has_not_read_for(10s, start));
    while (pair.client.unsent.empty()) pair.client.send(std::string(4096, 'x'));
    CHECK_FALSE(pair.client.has_not_read_for(10s, start + 1h));
    CHECK_FALSE(pair.client.has_not_read_for(10s, start + 1h + 10s - 1ns));
    CHECK(pair.client.has_not_read_for(10s, start + 1h + 10s));
    std::string bytes(1 << 20, ' ');
    REQUIRE(::recv(pair.peer, bytes.data(), bytes.size(), 0) > 0);
    pair.client.flush();
    CHECK_FALSE(pair.client.has_not_read_for(10s, start + 2h));
}
