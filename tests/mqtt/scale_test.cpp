// Many amplifiers at one broker, two of one id, and an outage of hours.
#include <doctest/doctest.h>
#include <sys/resource.h>

#include <algorithm>
#include <fstream>
#include <nlohmann/json.hpp>
#include <set>

#include "eventually.hpp"
#include "mqtt/amplifier.hpp"
#include "mqtt/broker.hpp"
#include "mqtt/listener.hpp"
#include "mqtt/proxy.hpp"

using namespace dekeyd;
using namespace std::chrono_literals;
using test::Amplifier;
using test::Broker;
using test::eventually;
using test::Listener;

namespace {

double cpu_seconds() {
    rusage usage{};
    ::getrusage(RUSAGE_SELF, &usage);
    const auto seconds = [](const timeval& t) {
        return static_cast<double>(t.tv_sec) + static_cast<double>(t.tv_usec) * 1e-6;
    };
    return seconds(usage.ru_utime) + seconds(usage.ru_stime);
}

}  // namespace

TEST_CASE("two amplifiers of one id take the session from each other slowly, and it is said") {
    Broker broker;
    Listener listener{broker.port(), "homie/5/hilltop/$state"};
    Amplifier one{broker.port()};
    Amplifier two{broker.port()};
    one.start();
    two.start();
    std::this_thread::sleep_for(8s);
    const std::size_t changes = listener.all().size();
    MESSAGE("two of one id, 8 s: " << changes << " changes of $state");
    CHECK(changes < 60);  // each session is three of them, and without a back-off there would be hundreds
    one.stop();
    two.stop();
}

TEST_CASE("a script of two hours without the broker loses no event") {
    using core::EventKind;
    Broker broker;
    Amplifier amplifier{broker.port()};
    amplifier.start();
    REQUIRE(eventually([&] { return amplifier.place->number() == 1; }));
    broker.stop();
    // An over every two minutes, a warning in every fifth, a trip with its reset in every twentieth; then twice that
    // again, as a contest would: time doesn't matter to the journal, order and number do.
    std::vector<std::string> expected{"started"};
    const auto happen = [&](EventKind kind, core::SourceIndex source = core::no_source) {
        expected.emplace_back(core::text(kind));
        amplifier.step(amplifier.event(kind, source));
        if (expected.size() % 50 == 0) {
            REQUIRE(eventually([&] { return amplifier.state.journal_durable == expected.size(); }));
        }
    };
    for (int over = 1; over <= 180; ++over) {
        happen(EventKind::rf_on);
        if (over % 5 == 0) happen(EventKind::warning, test::heatsink_limit);
        if (over % 5 == 0) happen(EventKind::warning_over, test::heatsink_limit);
        if (over % 20 == 0) happen(EventKind::tripped, test::vswr_limit);
        happen(EventKind::rf_off);
        if (over % 20 == 0) happen(EventKind::reset);
    }
    REQUIRE(eventually([&] { return amplifier.state.journal_durable == expected.size(); }));
    // The daemon restarts in the middle of it.
    amplifier.stop();
    amplifier.start();
    expected.emplace_back("started");
    REQUIRE(eventually([&] { return amplifier.state.journal_durable == expected.size(); }));

    broker.start();
    Listener listener{broker.port(), amplifier.event_topic()};
    REQUIRE(eventually([&] { return amplifier.place->number() == expected.size(); }, 120s));
    std::map<std::uint64_t, std::string> kinds;
    std::uint64_t last = 0;
    for (const std::string& payload : listener.of(amplifier.event_topic())) {
        const auto event = nlohmann::json::parse(payload);
        const std::uint64_t number = event["number"];
        CHECK(number >= last);  // a duplicate has its own number
        last = number;
        kinds[number] = event["kind"];
    }
    // The listener may have come a moment after the first; from there on none is missing.
    REQUIRE(!kinds.empty());
    CHECK(kinds.size() == expected.size() - kinds.begin()->first + 1);
    for (const auto& [number, kind] : kinds) CHECK(kind == expected[number - 1]);
    CHECK(listener.of(amplifier.event_topic()).size() == kinds.size());  // in an undisturbed session none comes twice
    MESSAGE(kinds.size() << " of " << expected.size() - 1 << " events of the outage heard, from number "
                         << kinds.begin()->first);
    amplifier.stop();
}

TEST_CASE("twenty amplifiers at one broker") {
    Broker broker;
    std::vector<std::unique_ptr<Amplifier>> amplifiers;
    for (int i = 1; i <= 20; ++i) {
        amplifiers.push_back(std::make_unique<Amplifier>(broker.port(), "hilltop-" + std::to_string(i)));
        amplifiers.back()->configuration.mqtt->fastest = 500ms;
        amplifiers.back()->start();
    }
    for (const auto& amplifier : amplifiers) {
        REQUIRE(eventually([&] { return amplifier->telemetry->connected(); }, 120s));
    }
    const double before = cpu_seconds();
    const auto begin = std::chrono::steady_clock::now();
    int step = 0;
    while (std::chrono::steady_clock::now() - begin < 5s) {
        ++step;
        for (const auto& amplifier : amplifiers) {
            amplifier->snapshot.quantities[0] = test::good(31.0 + step % 7);
            amplifier->step();
        }
        std::this_thread::sleep_for(20ms);
    }
    const double share = (cpu_seconds() - before) / 5.0 / 20.0 * 100.0;
    rusage usage{};
    ::getrusage(RUSAGE_SELF, &usage);
    MESSAGE("twenty amplifiers with 50 snapshots a second each: " << share << " % of a processor and "
                                                                  << usage.ru_maxrss / 20 << " KiB each (one process)");
    Listener listener{broker.port(), "homie/5/+/$state"};
    for (const auto& amplifier : amplifiers) {
        CHECK(eventually([&] { return listener.last(amplifier->base() + "/$state") == "ready"; }));
    }
    for (const auto& amplifier : amplifiers) amplifier->stop();
    CHECK(share < 20.0);
}

TEST_CASE("a broker that accepts and never answers is given up, and tried again") {
    Broker broker;
    test::Proxy proxy{broker.port()};
    proxy.black_hole(true);
    Amplifier amplifier{proxy.port()};
    amplifier.start();
    std::this_thread::sleep_for(1s);
    CHECK_FALSE(amplifier.telemetry->connected());
    proxy.black_hole(false);
    proxy.cut();
    CHECK(eventually([&] { return amplifier.telemetry->connected(); }, 60s));
    amplifier.stop();
}
