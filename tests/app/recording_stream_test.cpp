#include "control/recording_stream.hpp"

#include <doctest/doctest.h>
#include <sys/socket.h>
#include <unistd.h>

#include <array>
#include <nlohmann/json.hpp>
#include <sstream>
#include <string>
#include <vector>

#include "base/wall_clock.hpp"

using namespace dekeyd;
using namespace std::chrono_literals;

namespace {

/// Two clients with their other ends, and the recorder's side of the feed.
struct DeskBench {
    RecordingFeed feed;
    RecordingStream stream{&feed};
    std::vector<ControlClient> clients;
    std::array<int, 2> ends{-1, -1};

    DeskBench() {
        for (int& end : ends) {
            std::array<int, 2> pair{};
            REQUIRE(::socketpair(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0, pair.data()) == 0);
            clients.emplace_back(pair[0], monotonic_now());
            end = pair[1];
        }
    }
    ~DeskBench() {
        for (const int end : ends) ::close(end);
        for (const ControlClient& client : clients) ::close(client.descriptor);
    }
    DeskBench(const DeskBench&) = delete;
    DeskBench& operator=(const DeskBench&) = delete;

    /// What the client was sent since the last time, line by line.
    std::vector<nlohmann::json> received(std::size_t client) {
        std::string text;
        std::array<char, 65536> bytes{};
        for (;;) {
            clients[client].flush();
            const ssize_t count = ::recv(ends[client], bytes.data(), bytes.size(), 0);
            if (count <= 0) break;
            text.append(bytes.data(), static_cast<std::size_t>(count));
        }
        std::vector<nlohmann::json> lines;
        std::istringstream rows{text};
        for (std::string row; std::getline(rows, row);) lines.push_back(nlohmann::json::parse(row));
        return lines;
    }
    /// The recorder has taken the request up.
    void begin() {
        REQUIRE(stream.begin(clients[0], 10s));
        REQUIRE(feed.begin() == core::Duration{10s});
    }
};

std::string rows(std::size_t count) {
    std::string text;
    for (std::size_t i = 0; i < count; ++i) text += std::to_string(i) + "; 41.3 °C; a row of a recording\n";
    return text;
}

}  // namespace

TEST_CASE("without a recorder there is no recording") {
    DeskBench bench;
    RecordingStream none{nullptr};
    CHECK_FALSE(none.begin(bench.clients[0], 1s));
    CHECK_FALSE(bench.clients[0].records);
    none.serve(bench.clients);
    none.leave(bench.clients[0]);
}

TEST_CASE("one recording at a time, and what a second asked for doesn't end the first") {
    DeskBench bench;
    bench.begin();
    CHECK(bench.clients[0].records);
    CHECK_FALSE(bench.stream.begin(bench.clients[1], 1s));
    CHECK_FALSE(bench.clients[1].records);
    bench.stream.leave(bench.clients[1]);
    CHECK(bench.feed.put("row\n", true));
    bench.stream.serve(bench.clients);
    CHECK(bench.received(1).empty());
    CHECK_FALSE(bench.clients[0].records);
    CHECK(bench.stream.begin(bench.clients[1], 1s));
}

TEST_CASE("the pieces come in order, whole rows each, and the end after the last") {
    DeskBench bench;
    bench.begin();
    const std::string sent = rows(8000);  // some 300 KiB: several pieces
    REQUIRE(bench.feed.put(sent, true));
    bench.stream.serve(bench.clients);
    const auto parts = bench.received(0);
    REQUIRE(parts.size() > 3);
    std::string got;
    for (std::size_t i = 0; i < parts.size(); ++i) {
        const bool last = i + 1 == parts.size();
        const std::string piece = parts[i].at("recording");
        CHECK(parts[i].at("done") == last);
        CHECK(piece.size() <= ControlClient::most_unsent_bytes / 8 + 1);
        CHECK((last ? piece.empty() : piece.ends_with('\n')));
        got += piece;
    }
    CHECK(got == sent);
}

TEST_CASE("a client that hasn't read its part gets no more, and nothing is lost meanwhile") {
    DeskBench bench;
    bench.begin();
    REQUIRE(bench.feed.put("first\n", false));
    bench.clients[0].unsent.assign(ControlClient::most_unsent_bytes / 4 + 1, '\n');
    bench.stream.serve(bench.clients);
    CHECK(bench.clients[0].unsent.size() == ControlClient::most_unsent_bytes / 4 + 1);
    bench.clients[0].unsent.pop_back();
    bench.stream.serve(bench.clients);
    CHECK(bench.feed.take().text.empty());  // it was sent
    REQUIRE(bench.feed.put("second\n", false));
    bench.clients[0].drop = true;  // it goes; no client gets its rows
    bench.stream.serve(bench.clients);
    CHECK(bench.feed.take().text == "second\n");
}

TEST_CASE("a recording that isn't read fast enough ends early, and says so") {
    DeskBench bench;
    bench.begin();
    REQUIRE(bench.feed.put("row\n", false));
    REQUIRE_FALSE(bench.feed.put(std::string(RecordingFeed::most_waiting_bytes, '\n'), false));
    bench.stream.serve(bench.clients);
    const auto parts = bench.received(0);
    REQUIRE(parts.size() == 2);
    CHECK(parts[0].at("recording") == "row\n");
    CHECK(parts[1].at("error").get<std::string>().starts_with("the recording was not read fast enough"));
    CHECK_FALSE(bench.clients[0].records);
}

TEST_CASE("a client that leaves ends its recording") {
    DeskBench bench;
    bench.begin();
    REQUIRE(bench.feed.put("row\n", false));
    bench.stream.leave(bench.clients[0]);
    CHECK_FALSE(bench.feed.put("row\n", false));
    CHECK(bench.stream.begin(bench.clients[1], 1s));
    CHECK(bench.feed.begin());
}
