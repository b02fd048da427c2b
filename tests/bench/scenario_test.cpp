#include "bench/scenario.hpp"

#include <doctest/doctest.h>

#include <filesystem>
#include <stdexcept>
#include <string>

using namespace bench;

namespace {

std::string refusal(std::string_view text) {
    try {
        const Scenario scenario(text, "story.txt");
    } catch (const std::runtime_error& error) {
        return error.what();
    }
    return "";
}

}  // namespace

TEST_CASE("commands happen at their exact time, whatever the step") {
    for (const std::int64_t step_ns : {1'000'000LL, 7'000'000LL, 3'000'000'000LL}) {
        Bench bench(1, 1'000);
        Scenario scenario("# a story\n\nat 0.25 s: key on # now\nat 0.1 s: drive 2 W\nat 1 s: end\n", "story.txt");
        std::int64_t now_ns = 1'000;
        while (scenario.play(bench, now_ns)) now_ns += step_ns;
        CHECK(bench.now_ns() == 1'000'001'000);
        const auto events = bench.take_events();
        REQUIRE(events.size() == 2);
        CHECK(events[0].text == "drive 2 W");
        CHECK(events[0].at_ns == 100'001'000);
        CHECK(events[1].text == "key on");
        CHECK(events[1].at_ns == 250'001'000);
    }
}

TEST_CASE("an empty scenario just lets time pass") {
    Bench bench;
    Scenario scenario;
    CHECK(scenario.play(bench, 5'000'000));
    CHECK(bench.now_ns() == 5'000'000);
}

TEST_CASE("a wrong line is refused at once, with its number") {
    CHECK(refusal("at 1 s: key on\nat 2 s: key maybe\n") == "story.txt:2: expected key on or off, got \"key maybe\"");
    CHECK(refusal("key on\n").find("story.txt:1: expected \"at SECONDS s: COMMAND\"") == 0);
    CHECK(refusal("\n\nat one s: key on").find("story.txt:3: ") == 0);
    CHECK(refusal("at -1 s: key on").find("story.txt:1: ") == 0);
    CHECK(refusal("at 1 s key on").find("story.txt:1: ") == 0);
    CHECK(refusal("at 1 s:").find("story.txt:1: ") == 0);
    CHECK(refusal(":").find("story.txt:1: ") == 0);
    CHECK(refusal("at 1 min: key on").find("story.txt:1: ") == 0);
    CHECK(refusal("at 1: key on").empty());
}

TEST_CASE("every scenario that is shipped loads, plays to its end and keys the amplifier") {
    int found = 0;
    const std::filesystem::path folder = std::filesystem::path(DEKEYD_SOURCE_DIR) / "tools/bench/scenarios";
    for (const auto& entry : std::filesystem::directory_iterator(folder)) {
        CAPTURE(entry.path().string());
        ++found;
        Scenario scenario = Scenario::load(entry.path().string());
        Bench bench;
        bench.line(true);
        CHECK_FALSE(scenario.play(bench, 1'000'000'000'000));
        CHECK(bench.amplifier().truth().rf_came_ns > 0);
    }
    CHECK(found >= 7);
    CHECK_THROWS_AS(Scenario::load("/nowhere/at-all.txt"), std::runtime_error);
}
