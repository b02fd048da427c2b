// The sources that may be a cause: limits, channels, built-ins, each once, with an id that no other has.
#include "plan/sources.hpp"

#include <doctest/doctest.h>

#include <array>
#include <set>
#include <string>

#include "sample_plan.hpp"

using namespace dekeyd::core;

TEST_CASE("each source has its own kind, place and id") {
    const Plan plan = dekeyd::test::sample_plan();
    REQUIRE(source_count(plan) == plan.limits.size() + plan.channels.size() + builtin_count);
    std::set<std::string> names;
    for (std::size_t i = 0; i < source_count(plan); ++i) {
        const SourceInfo info = describe_source(plan, static_cast<SourceIndex>(i));
        CAPTURE(info.id);
        CHECK_FALSE(info.name.empty());
        CHECK(names.insert(std::string{source_prefix_words.of(info.kind)} + "-" + std::string{info.id}).second);
        const std::size_t limits = plan.limits.size(), sensors = limits + plan.channels.size();
        CHECK(info.kind == (i < limits    ? SourceInfo::Kind::limit
                            : i < sensors ? SourceInfo::Kind::channel
                                          : SourceInfo::Kind::builtin));
        CHECK(info.index == (i < limits ? i : i < sensors ? i - limits : i - sensors));
    }
}

TEST_CASE("a built-in's source is behind all limits and channels, and describes itself") {
    const Plan plan = dekeyd::test::sample_plan();
    for (std::size_t i = 0; i < builtin_count; ++i) {
        const auto builtin = static_cast<Builtin>(i);
        const SourceInfo info = describe_source(plan, source_of(plan, builtin));
        CHECK(info.id == describe(builtin).id);
        CHECK(info.latches == describe(builtin).latches);
        CHECK(info.counted == describe(builtin).counted);
    }
}

TEST_CASE("each built-in's trip latches and counts as the table says") {
    struct Row {
        const char* id;
        bool latches, counted, contradicts = false;
    };
    // A plausibility cause tells of a broken sensor or amplifier: an operator looks first. What only waits, or what the
    // station itself switches, does neither.
    constexpr std::array rows{
        Row{"guard-overrun", false, true},
        Row{"line-mismatch", true, true},
        Row{"enable-mismatch", true, true},
        Row{"rf-while-inhibited", true, true},
        Row{"contactor-open", false, false},
        Row{"contactor-line-mismatch", true, true},
        Row{"contactor-stuck-closed", true, true},
        Row{"contactor-stuck-open", false, true},
        Row{"reflected-exceeds-forward", true, true, true},
        Row{"drive-without-forward", true, true, true},
        Row{"current-without-forward", true, true, true},
        Row{"rf-without-current", true, true, true},
        Row{"reflected-on-floor", true, true, true},
        Row{"heat-without-rise", true, true, true},
        Row{"longest-transmission", false, false},
        Row{"uncalibrated", false, false},
        Row{"start-not-stored", false, false},
        Row{"second-opinion", true, true},
        Row{"suspended", true, true},
    };
    static_assert(rows.size() == builtin_count);
    for (std::size_t i = 0; i < builtin_count; ++i) {
        CAPTURE(rows[i].id);
        const BuiltinInfo info = describe(static_cast<Builtin>(i));
        CHECK(info.id == rows[i].id);
        CHECK(info.latches == rows[i].latches);
        CHECK(info.counted == rows[i].counted);
        CHECK(info.contradicts == rows[i].contradicts);
    }
}

TEST_CASE("what a limit's trip does is its own rule") {
    Plan plan = dekeyd::test::sample_plan();
    CHECK_FALSE(describe_source(plan, dekeyd::test::heatsink_limit).latches);
    CHECK(describe_source(plan, dekeyd::test::vswr_limit).latches);
    plan.limits[0].counted = false;
    CHECK_FALSE(describe_source(plan, dekeyd::test::heatsink_limit).counted);
    CHECK(describe_source(plan, dekeyd::test::heatsink_sensor).counted);
}
