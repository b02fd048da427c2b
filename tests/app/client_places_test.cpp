#include "control/client_places.hpp"

#include <doctest/doctest.h>

#include <vector>

using namespace dekeyd;
using namespace std::chrono_literals;

namespace {

ClientPlace place(int second) {
    return {.asked_at = core::Instant{} + std::chrono::seconds{second}};
}

/// So many that asked at second 100, 101 and so on, as they came.
std::vector<ClientPlace> places(int count) {
    std::vector<ClientPlace> clients;
    for (int i = 0; i < count; ++i) clients.push_back(place(100 + i));
    return clients;
}

}  // namespace

TEST_CASE("sixteen have a place each; of seventeen the one that asked longest ago loses it") {
    CHECK_FALSE(client_to_close(places(16)));
    auto clients = places(17);
    CHECK(client_to_close(clients) == 0);
    clients[0].asked_at += 1h;
    CHECK(client_to_close(clients) == 1);
}

TEST_CASE("the last to come keeps its place, however the clocks stand") {
    auto clients = places(17);
    clients[16] = place(1);
    CHECK(client_to_close(clients) == 0);
}

TEST_CASE("those that wait for an answer stay; watchers go after those that only stay, and those at work after them") {
    auto clients = places(17);
    clients[0].waits = true;
    CHECK(client_to_close(clients) == 1);
    for (std::size_t i = 0; i < 12; ++i) clients[i].watches = true;
    CHECK(client_to_close(clients) == 12);
    for (std::size_t i = 12; i < 15; ++i) clients[i].waits = true;
    clients[15].works = true;
    CHECK(client_to_close(clients) == 1);  // a watcher that doesn't wait
    for (std::size_t i = 0; i < 12; ++i) clients[i].waits = true;
    CHECK(client_to_close(clients) == 15);
}

TEST_CASE("one that asks nothing for ten minutes is idle, unless it stays for something") {
    ClientPlace client = place(100);
    CHECK_FALSE(is_idle(client, client.asked_at + 10min - 1ns));
    CHECK(is_idle(client, client.asked_at + 10min));
    for (bool ClientPlace::*stays : {&ClientPlace::waits, &ClientPlace::watches, &ClientPlace::works}) {
        ClientPlace other = client;
        other.*stays = true;
        CHECK_FALSE(is_idle(other, client.asked_at + 24h));
    }
}

TEST_CASE("where all others wait for an answer there is room for more, up to a bound") {
    auto clients = places(17);
    for (ClientPlace& one : clients) one.waits = true;
    clients.back().waits = false;
    CHECK_FALSE(client_to_close(clients));
    clients = places(33);
    for (ClientPlace& one : clients) one.waits = true;
    CHECK(client_to_close(clients) == 0);  // a command has come with the last, too
    clients.back().waits = false;
    CHECK(client_to_close(clients) == 32);
    clients.erase(clients.begin());
    CHECK_FALSE(client_to_close(clients));
}
