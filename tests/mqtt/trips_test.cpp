#include <doctest/doctest.h>

#include <algorithm>
#include <chrono>
#include <nlohmann/json.hpp>
#include <thread>

#include "eventually.hpp"
#include "mqtt/amplifier.hpp"
#include "mqtt/broker.hpp"
#include "mqtt/listener.hpp"

using namespace dekeyd;
using namespace dekeyd::test;
using namespace std::chrono_literals;

namespace {

std::size_t count_of(const std::optional<std::string>& payload, const std::string& kind) {
    if (!payload) return 0;
    const auto all = nlohmann::json::parse(*payload);
    return static_cast<std::size_t>(
        std::count_if(all.begin(), all.end(), [&](const auto& one) { return one["kind"] == kind; }));
}

}  // namespace

TEST_CASE("transmissions don't push out the last trip, neither now nor in the telemetry's next life") {
    Broker broker;
    Amplifier amplifier{broker.port()};
    amplifier.start();
    const std::string trips = amplifier.base() + "/recorder/trips", recent = amplifier.base() + "/service/recent";
    {
        Listener listener{broker.port()};
        REQUIRE(eventually([&] { return amplifier.telemetry->connected(); }));
        amplifier.trip();
        for (int i = 0; i < 40; ++i) {
            amplifier.step(amplifier.event(i % 2 == 0 ? core::EventKind::rf_on : core::EventKind::rf_off));
            std::this_thread::sleep_for(5ms);
        }
        REQUIRE(eventually([&] { return count_of(listener.last(recent), "RF off") == 8; }));
        CHECK(count_of(listener.last(recent), "tripped") == 0);
        CHECK(count_of(listener.last(trips), "tripped") == 1);
        CHECK(count_of(listener.last(trips), "RF on") == 0);
    }
    amplifier.stop_telemetry();
    Listener later{broker.port()};
    amplifier.start_telemetry();
    REQUIRE(eventually([&] { return later.count(trips) >= 2; }));  // as it was retained, and anew
    CHECK(eventually([&] { return count_of(later.last(trips), "tripped") == 1; }));
    amplifier.stop();
}
