// How long the line may keep its level after the daemon's death: what `check` prints is what the units and the stop
// hook do.
#include <algorithm>
#include <sstream>

#include "configuration/after_death.hpp"
#include "drivers/stop_hook.hpp"
#include "station.hpp"

namespace {

using namespace agree;

/// A time of the unit, in whole seconds.
core::Duration unit_time(const std::string& unit, const std::string& key) {
    std::ifstream in{std::string{DEKEYD_SOURCE_DIR "/systemd/"} + unit};
    for (std::string line; std::getline(in, line);) {
        if (line.rfind(key + "=", 0) != 0) continue;
        std::istringstream value{line.substr(key.size() + 1)};
        long number = 0;
        std::string rest;
        CAPTURE(line);
        value >> number >> rest;
        REQUIRE(rest == "s");
        return std::chrono::seconds{number};
    }
    FAIL(unit << " has no " << key);
    return {};
}

bool says(const formats::Configuration& configuration, std::string_view words) {
    const auto all = formats::summarise(configuration);
    return std::any_of(all.begin(), all.end(), [&](const auto& one) { return one.find(words) != std::string::npos; });
}

}  // namespace

TEST_CASE("what stands between a death and the stop hook's inhibit is the units' own times and the hook's") {
    for (const char* unit : {"dekeyd.service", "dekeyd@.service"}) {
        CAPTURE(unit);
        CHECK(unit_time(unit, "WatchdogSec") == formats::watchdog_time);
        CHECK(unit_time(unit, "TimeoutAbortSec") == formats::abort_time);
        CHECK(unit_time(unit, "TimeoutStopSec") == formats::kill_time);
    }
    CHECK((drivers::stop_hook_tries - 1) * drivers::stop_hook_pause == formats::stop_hook_time);
}

TEST_CASE("check prints that time, and recommends a dynamic permit where there is none") {
    const std::string words =
        "After the death of the daemon the line may keep its level until the service's stop hook inhibits: where a "
        "thread is stuck in the kernel for up to 10 s (derived: watchdog 2 s, abort 1 s, kill 6 s, hook 1 s) and the "
        "time to start the hook. A dynamic permit ends by itself after its release time";
    CHECK(says(loaded(annotated_text()), words + ": recommended."));
    CHECK(says(loaded(changed(annotated_text(), "# dynamic_permit: {", "dynamic_permit: {")), words + "."));
    CHECK(formats::longest_after_death == 10s);
}
