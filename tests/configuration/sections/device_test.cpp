#include "configuration_sample.hpp"
#include "expect_faults.hpp"

using namespace dekeyd;
using namespace dekeyd::formats;
using namespace std::chrono_literals;

TEST_CASE("the sample is good, and has the defaults of what it leaves out") {
    const Loaded loaded = load_configuration(sample_text);
    expect_no_faults(loaded);
    REQUIRE(loaded.configuration);
    const Configuration& c = *loaded.configuration;
    CHECK(c.sysfs_root == "/sys");
    CHECK(c.state_directory == "/var/lib/dekeyd");
    CHECK(c.run_directory == "/run/dekeyd");
    CHECK(c.plan.interlock.settling == 5s);
    CHECK(c.plan.interlock.guard_deadline == 100ms);
    CHECK(c.plan.interlock.lockout_trips == 3);
    CHECK(c.plan.interlock.lockout_window == 10min);
    CHECK(c.plan.interlock.unclean_window == 15min);
    CHECK_FALSE(c.plan.interlock.held_after_start);
    CHECK_FALSE(c.contactor);
}

TEST_CASE("version, device and paths") {
    expect_faults(load_configuration(spoiled("dekeyd: 1\n", "dekeyd: 2\n")),
                  {{1, "dekeyd", "version 2 of the format"}});
    expect_faults(load_configuration(spoiled("dekeyd: 1\n", "\n")), {{1, "dekeyd", "'dekeyd' is missing"}});
    expect_faults(load_configuration(spoiled("id: bench", "id: Bench 1")), {{2, "device.id", "'Bench 1' is no id"}});
    expect_faults(load_configuration(with_more("paths: {sysfs: sys}\n")),
                  {{52, "paths.sysfs", "'sys' is no absolute path"}});
}

TEST_CASE("guard and lockout") {
    expect_faults(
        load_configuration(spoiled("period: 20 ms}\nline", "period: 2 s, settling: 5, after_start: maybe}\nline")),
        {{3, "guard.period", "'2 s' is outside 1 ms to 100 ms"},
         {3, "guard.settling", "'5' needs a unit"},
         {3, "guard.after_start", "'maybe' is none of the words"}});
    expect_faults(load_configuration(spoiled("{period: 20 ms}\nline", "{period: 20 ms, deadline: 30 ms}\nline")),
                  {{3, "guard.deadline", "a deadline under two periods"}});
    expect_faults(
        load_configuration(with_more("lockout: {trips: 0, window: -1 min}\n")),
        {{52, "lockout.trips", "'0' is outside 1 to 10"}, {52, "lockout.window", "'-1 min' is not above zero"}});
    for (const char* const odd : {"1.5", "three", "3.0", "99999999999999999999", "010"}) {
        const Loaded loaded = load_configuration(with_more(fmt::format("lockout: {{trips: {}}}\n", odd)));
        CAPTURE(odd);
        REQUIRE(loaded.faults.size() == 1);
        CHECK(loaded.faults[0].what == fmt::format("'{}' is no whole number", odd));
        CHECK(loaded.faults[0].expected == "1 to 10, in decimal digits alone, without a unit");
    }
    const Loaded held = load_configuration(spoiled("{period: 20 ms}\nline", "{period: 5 ms, after_start: held}\nline"));
    REQUIRE(held.configuration);
    CHECK(held.configuration->plan.interlock.held_after_start);
    CHECK(held.configuration->guard_period == 5ms);
}

TEST_CASE("the inhibit line") {
    expect_faults(load_configuration(spoiled("line: {driver: gpio, chip: soc, line: GPIO17, permit: high}\n", "")),
                  {{1, "line", "'line' is missing"}});
    expect_faults(load_configuration(spoiled(", permit: high", "")), {{4, "line.permit", "'permit' is missing"}});
    expect_faults(load_configuration(spoiled("permit: high", "permit: hi")),
                  {{4, "line.permit", "'hi' is none of the words for 'permit'"}});
    expect_faults(load_configuration(spoiled("chip: soc, line: GPIO17", "line: 17")),
                  {{4, "line.line", "'17' is an offset"}});
    expect_faults(load_configuration(spoiled("driver: gpio, chip", "driver: relay, chip")),
                  {{4, "line.driver", "'relay' is none of the words for 'driver'"}});
    expect_faults(load_configuration(spoiled("driver: gpio, chip", "driver: file, chip")),
                  {{4, "line.path", "'path' is missing"},
                   {4, "line.chip", "the key 'chip' is not known here"},
                   {4, "line.line", "the key 'line' is not known here"},
                   {4, "line.permit", "the key 'permit' is not known here"}});
    const Loaded low = load_configuration(spoiled("permit: high", "permit: low"));
    REQUIRE(low.configuration);
    CHECK_FALSE(low.configuration->line.permit_high);
    const Loaded file = load_configuration(
        spoiled("{driver: gpio, chip: soc, line: GPIO17, permit: high}", "{driver: file, path: /tmp/line}"));
    REQUIRE(file.configuration);
    CHECK(file.configuration->line.path == "/tmp/line");
    CHECK(advised(file, "protects nothing"));
}

TEST_CASE("the dynamic permit is an output of its own") {
    expect_faults(
        load_configuration(with_more("dynamic_permit: {driver: gpio, chip: soc, line: GPIO17, permit: low}\n")),
        {{52, "dynamic_permit.line", "the dynamic permit has another line's output"}});
    const Loaded good =
        load_configuration(with_more("dynamic_permit: {driver: gpio, chip: soc, line: GPIO18, permit: high}\n"));
    expect_no_faults(good);
    REQUIRE(good.configuration->dynamic_permit);
    CHECK(good.configuration->dynamic_permit->line == "GPIO18");
}

TEST_CASE("the contactor is a second output") {
    expect_faults(load_configuration(with_more("contactor: {driver: gpio, chip: soc, line: GPIO17, permit: low}\n")),
                  {{52, "contactor.line", "the contactor has the inhibit line's own output"}});
    const Loaded good =
        load_configuration(with_more("contactor: {driver: gpio, chip: soc, line: GPIO18, permit: low}\n"));
    expect_no_faults(good);
    REQUIRE(good.configuration->contactor);
    CHECK(good.configuration->contactor->line == "GPIO18");
}
