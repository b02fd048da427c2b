#include "control/event_queries.hpp"

#include <doctest/doctest.h>
#include <fmt/format.h>
#include <sys/socket.h>
#include <unistd.h>

#include <array>
#include <map>
#include <string>
#include <vector>

#include "base/wall_clock.hpp"
#include "eventually.hpp"
#include "messages/feed.hpp"
#include "store/journal.hpp"
#include "temporary_folder.hpp"

using namespace dekeyd;
using namespace std::chrono_literals;

namespace {

/// Clients with their other ends, and a journal of three events.
struct DeskBench {
    test::TemporaryFolder folder;
    StorageState state;
    Wake told;
    JournalFeed feed{folder / "journal", state, told};
    EventQueries queries{feed, state};
    std::vector<ControlClient> clients;
    std::map<int, int> ends;

    DeskBench() {
        formats::Journal journal{folder / "journal"};
        REQUIRE(journal.open().empty());
        for (int i = 1; i <= 3; ++i) REQUIRE(journal.append(fmt::format("event {}", i)).empty());
        REQUIRE(journal.sync().empty());
        state.journal_epoch = formats::epoch_number(journal.epoch());
        state.journal_durable = journal.durable();
        feed.start();
    }
    ~DeskBench() {
        for (const auto& [near, far] : ends) {
            ::close(near);
            ::close(far);
        }
    }
    DeskBench(const DeskBench&) = delete;
    DeskBench& operator=(const DeskBench&) = delete;

    ControlClient& add() {
        std::array<int, 2> pair{};
        REQUIRE(::socketpair(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0, pair.data()) == 0);
        ends[pair[0]] = pair[1];
        return clients.emplace_back(pair[0], monotonic_now());
    }
    std::string received(const ControlClient& client) {
        std::array<char, 4096> bytes{};
        const ssize_t count = ::recv(ends[client.descriptor], bytes.data(), bytes.size(), 0);
        return count > 0 ? std::string(bytes.data(), static_cast<std::size_t>(count)) : std::string{};
    }
    formats::FeedEvents answer(const ControlClient& client) {
        std::string line;
        CHECK(test::eventually([&] {
            queries.serve(clients);
            line += received(client);
            return line.ends_with('\n');
        }));
        return formats::parse_feed_line(line).events.value_or(formats::FeedEvents{});
    }
};

}  // namespace

TEST_CASE("events: each client gets the answer to its own question") {
    DeskBench bench;
    bench.state.journal_open = true;
    bench.clients.reserve(3);
    ControlClient &first = bench.add(), &second = bench.add(), &silent = bench.add();
    first.events_after = 0;
    second.events_after = 2;
    const formats::FeedEvents one = bench.answer(first), two = bench.answer(second);
    CHECK(one.epoch.size() == 16);
    CHECK(one.epoch == two.epoch);
    REQUIRE(one.entries.size() == 3);
    CHECK(one.entries[0].text == "event 1");
    REQUIRE(two.entries.size() == 1);
    CHECK((two.after == 2 && two.durable == 3 && two.entries[0].number == 3));
    CHECK(bench.received(silent).empty());
}

TEST_CASE("events: a client that asks again and again keeps no other from its answer") {
    DeskBench bench;
    bench.state.journal_open = true;
    bench.clients.reserve(2);
    ControlClient &greedy = bench.add(), &modest = bench.add();
    modest.events_after = 0;
    int turns = 0;
    CHECK(test::eventually([&] {
        greedy.events_after = 0;
        bench.queries.serve(bench.clients);
        turns += bench.received(greedy).empty() ? 0 : 1;
        return !bench.received(modest).empty();
    }));
    CHECK(turns <= 2);
}

TEST_CASE("events: a journal that isn't open has none, and the telemetry isn't told so") {
    DeskBench bench;
    bench.clients.reserve(2);
    ControlClient &client = bench.add(), &telemetry = bench.add();
    telemetry.follows = true;
    telemetry.events_after = 1;
    bench.queries.serve(bench.clients);
    bench.queries.serve(bench.clients);
    CHECK(bench.received(telemetry).empty());
    client.events_after = 7;
    const formats::FeedEvents events = bench.answer(client);
    CHECK((events.epoch.empty() && events.after == 7 && events.durable == 0 && events.entries.empty()));
}

TEST_CASE("events: what one that has gone asked for goes to no other") {
    DeskBench bench;
    bench.state.journal_open = true;
    bench.clients.reserve(2);
    ControlClient &gone = bench.add(), &other = bench.add();
    gone.events_after = 0;
    bench.queries.serve(bench.clients);
    bench.queries.leave(gone);
    other.events_after = 2;
    CHECK(bench.answer(other).after == 2);
}
