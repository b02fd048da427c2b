#include "control/socket.hpp"

#include <doctest/doctest.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/un.h>
#include <unistd.h>

#include <cstring>
#include <fstream>
#include <nlohmann/json.hpp>
#include <thread>

#include "base/wall_clock.hpp"
#include "eventually.hpp"
#include "sample_plan.hpp"
#include "temporary_folder.hpp"
#include "words/event_text.hpp"

using namespace dekeyd;
using namespace std::chrono_literals;
using Json = nlohmann::json;

namespace {

class Client {
public:
    explicit Client(const std::string& path) : descriptor_{::socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0)} {
        sockaddr_un address{};
        address.sun_family = AF_UNIX;
        std::memcpy(address.sun_path, path.data(), path.size());
        REQUIRE(::connect(descriptor_, static_cast<const sockaddr*>(static_cast<const void*>(&address)),
                          sizeof(address)) == 0);
    }
    ~Client() { ::close(descriptor_); }
    Client(const Client&) = delete;
    Client& operator=(const Client&) = delete;
    void send(const std::string& text) {
        CHECK(::send(descriptor_, text.data(), text.size(), MSG_NOSIGNAL) == static_cast<ssize_t>(text.size()));
    }
    [[nodiscard]] bool has_answer() const {
        char byte = 0;
        return ::recv(descriptor_, &byte, 1, MSG_PEEK | MSG_DONTWAIT) > 0;
    }
    Json receive() {
        while (received_.find('\n') == std::string::npos) {
            char bytes[4096];
            const ssize_t count = ::recv(descriptor_, bytes, sizeof(bytes), 0);
            if (count <= 0) return nullptr;
            received_.append(bytes, static_cast<std::size_t>(count));
        }
        const std::size_t end = received_.find('\n');
        const Json json = Json::parse(received_.substr(0, end), nullptr, false);
        received_.erase(0, end + 1);
        return json;
    }

private:
    int descriptor_;
    std::string received_;
};

/// The socket without a guard: the test plays it.
struct Bench {
    test::TemporaryFolder folder;
    formats::Configuration configuration;
    Wake guard;
    Ring<core::Command> commands{4};
    StorageState saved;
    std::unique_ptr<Outlet> outlet;
    std::unique_ptr<ControlSocket> socket;
    std::thread thread;

    Bench() {
        configuration.id = "hilltop-23cm";
        configuration.plan = test::sample_plan();
        configuration.run_directory = folder.path();
        outlet = std::make_unique<Outlet>(configuration.plan);
        socket = std::make_unique<ControlSocket>(
            configuration, *outlet, commands, guard,
            [] {
                return formats::StatusContext{
                    .version = "1", .line = "fake", .realtime = false, .memory_locked = false, .mqtt = {}};
            },
            nullptr, &saved);
    }
    ~Bench() {
        socket->leave();
        if (thread.joinable()) thread.join();
    }
    Bench(const Bench&) = delete;
    Bench& operator=(const Bench&) = delete;
    void run() {
        REQUIRE(socket->listen().empty());
        thread = std::thread{[this] { socket->run(); }};
    }
    /// The guard has obeyed.
    core::Event done(const core::Command& command, core::EventKind kind) {
        core::Event event;
        event.at = monotonic_now();
        event.kind = kind;
        event.command = command.kind;
        event.origin = core::Origin::local;
        event.command_id = command.id;
        REQUIRE(outlet->events.push(event));
        return event;
    }
    [[nodiscard]] std::string path() const { return folder / "control"; }
    core::Command next_command() {
        core::Command command;
        REQUIRE(test::eventually([&] { return commands.front() != nullptr; }));
        command = *commands.front();
        commands.pop();
        return command;
    }
};

}  // namespace

TEST_CASE("a command goes to the guard, and its answer is the guard's event") {
    Bench bench;
    bench.run();
    Client client{bench.path()};
    client.send("{\"ask\":\"hold\",\"reason\":\"mast\"}\n");
    const core::Command command = bench.next_command();
    CHECK(command.kind == core::CommandKind::hold);
    CHECK(command.origin == core::Origin::local);
    core::Event event;
    bench.saved.saved_through = core::Instant::max();
    event.kind = core::EventKind::held;
    event.origin = core::Origin::remote;  // somebody else's, with the same number
    event.command_id = command.id;
    bench.outlet->events.push(event);
    event.origin = core::Origin::local;
    event.number = 2;
    bench.outlet->events.push(event);
    const Json answer = client.receive();
    CHECK(answer["ok"] == true);
    CHECK(answer["outcome"] == "held");
    CHECK(answer["text"] == "Held locally: 'mast'.");
    core::Snapshot held = core::Protection::blank(bench.configuration.plan);
    held.state = core::State::held;
    held.memory.held_locally = true;
    ++held.sequence;
    bench.outlet->snapshot.draft() = held;
    bench.outlet->snapshot.publish();
    client.send("{\"ask\":\"status\"}\n");
    const Json status = client.receive()["status"];
    CHECK(status["holds"].size() == 1);
    CHECK(status["holds"][0]["by"] == "local");
    CHECK(status["holds"][0]["reason"] == "mast");
    CHECK(status["reason"].get<std::string>().find(": 'mast'; released only there.") != std::string::npos);
    // Asked for again by somebody who gives no reason, or another one.
    for (const auto& [again, why] : {std::pair{"", "mast"}, std::pair{"proof test", "mast; proof test"}}) {
        client.send(Json{{"ask", "hold"}, {"reason", again}}.dump() + "\n");
        CHECK(bench.next_command().kind == core::CommandKind::hold);
        CHECK(bench.saved.notes.of_hold(core::Origin::local).reason == why);
    }
    held.memory.held_locally = false;  // released, its reason belongs to none
    ++held.sequence;
    bench.outlet->snapshot.draft() = held;
    bench.outlet->snapshot.publish();
    client.send("{\"ask\":\"hold\"}\n");
    CHECK(bench.next_command().kind == core::CommandKind::hold);
    CHECK(bench.saved.notes.of_hold(core::Origin::local).reason.empty());
}

TEST_CASE("a hold is answered when it is durable, not before") {
    Bench bench;
    bench.run();
    using Case = std::pair<const char*, core::EventKind>;
    for (const Case& each : {Case{"hold", core::EventKind::held}, Case{"release", core::EventKind::released},
                             Case{"reset", core::EventKind::reset}}) {
        const auto* const ask = each.first;
        const core::EventKind kind = each.second;
        CAPTURE(ask);
        Client client{bench.path()};
        client.send(std::string{"{\"ask\":\""} + ask + "\"}\n");
        const core::Event event = bench.done(bench.next_command(), kind);
        bench.saved.saved_through = event.at - 1ns;
        std::this_thread::sleep_for(50ms);  // gives it the time to answer too early
        CHECK_FALSE(client.has_answer());
        bench.saved.saved_through = event.at;
        const Json answer = client.receive();
        CHECK(answer["ok"] == true);
        CHECK_FALSE(answer.contains("saved"));
        CHECK(answer["text"] == formats::sentence(bench.configuration.plan, event));
    }
    // What changes nothing that lasts has nothing to wait for.
    Client client{bench.path()};
    client.send("{\"ask\":\"reset\"}\n");
    bench.done(bench.next_command(), core::EventKind::refused);
    CHECK(client.receive()["outcome"] == "refused");
}

TEST_CASE("a storage that doesn't take it: after two seconds it is said that it is done and not saved") {
    Bench bench;
    bench.run();
    Client holder{bench.path()}, resetter{bench.path()};
    holder.send("{\"ask\":\"hold\"}\n");
    bench.done(bench.next_command(), core::EventKind::held);
    resetter.send("{\"ask\":\"reset\"}\n");
    bench.done(bench.next_command(), core::EventKind::reset);
    Json answer = holder.receive();
    CHECK(answer["ok"] == true);
    CHECK(answer["outcome"] == "held");
    CHECK(answer["saved"] == false);
    CHECK(answer["text"].get<std::string>().find("the hold is not saved yet") != std::string::npos);
    answer = resetter.receive();
    CHECK(answer["saved"] == false);
    CHECK(answer["text"].get<std::string>().find("stand again after a restart") != std::string::npos);
}

TEST_CASE("each of two clients gets the answer to its own command") {
    Bench bench;
    bench.run();
    Client first{bench.path()}, second{bench.path()};
    first.send("{\"ask\":\"hold\"}\n");
    const core::Command hold = bench.next_command();
    second.send("{\"ask\":\"reset\"}\n");
    const core::Command reset = bench.next_command();
    CHECK(hold.id != reset.id);
    bench.saved.saved_through = core::Instant::max();
    for (const auto& [command, kind] :
         {std::pair{reset, core::EventKind::refused}, std::pair{hold, core::EventKind::held}}) {
        core::Event event;
        event.kind = kind;
        event.command = command.kind;
        event.origin = core::Origin::local;
        event.command_id = command.id;
        bench.outlet->events.push(event);
    }
    CHECK(second.receive()["outcome"] == "refused");
    CHECK(first.receive()["outcome"] == "held");
}

TEST_CASE("a guard that doesn't answer: an error after two seconds, and nothing is claimed") {
    Bench bench;
    bench.run();
    Client client{bench.path()};
    client.send("{\"ask\":\"reset\"}\n");
    bench.next_command();
    const Json answer = client.receive();
    CHECK(answer["ok"] == false);
    CHECK(answer["error"].get<std::string>().find("not done") != std::string::npos);
}

TEST_CASE("a full queue to the guard is said, and not waited for") {
    Bench bench;
    bench.run();
    Client client{bench.path()};
    std::string requests;
    for (int i = 0; i < 5; ++i) requests += "{\"ask\":\"hold\"}\n";
    client.send(requests);
    CHECK(client.receive()["error"].get<std::string>().find("no more commands") != std::string::npos);
    client.send("{\"ask\":\"hold\",\"reason\":\"never asked\"}\n");
    client.receive();
    CHECK(bench.saved.notes.of_hold(core::Origin::local).reason.empty());
}

TEST_CASE("a proof test ends with its client, also where the queue to the guard is full just then") {
    Bench bench;
    bench.run();
    Client other{bench.path()};
    {
        Client prover{bench.path()};
        prover.send("{\"ask\":\"prove\"}\n");
        CHECK(bench.next_command().kind == core::CommandKind::prove);
        std::string requests;
        for (int i = 0; i < 5; ++i) requests += "{\"ask\":\"hold\"}\n";
        other.send(requests);
        CHECK(other.receive()["error"].get<std::string>().find("no more commands") != std::string::npos);
    }
    for (int turn = 0; turn < 2; ++turn) {  // after the second answer the socket has seen that the first is gone
        other.send("{\"ask\":\"status\"}\n");
        CHECK(other.receive().contains("status"));
    }
    for (int i = 0; i < 4; ++i) CHECK(bench.next_command().kind == core::CommandKind::hold);
    CHECK(bench.next_command().kind == core::CommandKind::prove_end);
}

TEST_CASE("the mode, and what is already there") {
    Bench bench;
    SUBCASE("a dead one's socket is replaced") {
        Bench dead;
        REQUIRE(dead.socket->listen().empty());
        ::rename(dead.path().c_str(), bench.path().c_str());
        CHECK(bench.socket->listen().empty());
    }
    SUBCASE("a plain file isn't ours") {
        std::ofstream{bench.path()} << "notes";
        CHECK(bench.socket->listen().find("Address already in use") != std::string::npos);
        return;
    }
    SUBCASE("nothing") {
        CHECK(bench.socket->listen().empty());
    }
    struct stat there {};
    REQUIRE(::stat(bench.path().c_str(), &there) == 0);
    CHECK((there.st_mode & 0777) == 0660);
}

TEST_CASE("a folder that isn't there, and a path that is too long, are told") {
    Bench bench;
    bench.configuration.run_directory = "/nonexistent/run";
    ControlSocket missing{bench.configuration, *bench.outlet, bench.commands, bench.guard, {}};
    CHECK(missing.listen().find("/nonexistent/run/control") != std::string::npos);
    bench.configuration.run_directory = std::string(200, 'x');
    ControlSocket longer{bench.configuration, *bench.outlet, bench.commands, bench.guard, {}};
    CHECK(longer.listen().find("1 to 107 bytes") != std::string::npos);
}

TEST_CASE("a command whose client has gone is void, but for a hold") {
    Bench bench;
    REQUIRE(bench.socket->listen().empty());
    for (const char* ask : {"reset", "release", "prove", "hold"}) {
        Client gone{bench.path()};
        gone.send(std::string{"{\"ask\":\""} + ask + "\"}\n");
    }
    bench.thread = std::thread{[&] { bench.socket->run(); }};  // only now: they are gone
    CHECK(bench.next_command().kind == core::CommandKind::hold);
    Client client{bench.path()};
    client.send("{\"ask\":\"status\"}\n");
    CHECK(client.receive().contains("status"));
    CHECK(bench.commands.front() == nullptr);
}
