// A driver with sensors and limits of its own, beside an amplifier with two supplies and two fans.
#include <fmt/format.h>

#include "configuration/parts.hpp"
#include "configuration/sections/roles.hpp"
#include "configuration/summary.hpp"
#include "configuration_sample.hpp"
#include "expect_faults.hpp"

using namespace dekeyd;
using namespace dekeyd::formats;

namespace {

constexpr std::string_view second_feed =
    R"(  supply-2: {bus: psu, address: in2, measures: voltage, role: supply, allowed_age: 500 ms}
  current: {bus: psu, address: curr1, measures: current, role: current, supply: supply, allowed_age: 500 ms}
  current-2: {bus: psu, address: curr2, measures: current, role: current, supply: supply-2, allowed_age: 500 ms}
)";

constexpr std::string_view fans = R"(  fan: {bus: psu, address: fan1, measures: speed, role: fan, allowed_age: 3 s}
  fan-2: {bus: psu, address: fan2, measures: speed, role: fan, allowed_age: 3 s}
)";

/// The sample with more sensors, with `more` after its last section.
std::string with_sensors(std::string_view sensors, std::string_view more = "") {
    return spoiled("amplifier:\n", std::string{sensors} + "amplifier:\n") + std::string{more};
}
std::string whole() {
    return driven_sample();
}

std::string refusal(const Loaded& loaded) {
    REQUIRE(loaded.faults.size() == 1);
    return loaded.faults.front().what + " | " + loaded.faults.front().expected;
}

const core::StagePlan& driver_of(const Loaded& loaded) {
    REQUIRE(loaded.configuration);
    REQUIRE(loaded.configuration->plan.stages.size() == 1);
    return loaded.configuration->plan.stages.front();
}

}  // namespace

TEST_CASE("a stage has its own roles; the amplifier's stay the amplifier's") {
    const Loaded loaded = load_configuration(whole());
    expect_no_faults(loaded);
    const core::Plan& plan = loaded.configuration->plan;
    const auto id = [&](const std::optional<std::uint16_t>& channel) {
        return channel ? plan.channels[*channel].id : std::string{};
    };
    const core::StagePlan& driver = driver_of(loaded);
    CHECK(driver.id == "driver");
    CHECK(driver.name == "Driver");
    CHECK(driver.nominal_supply_v == doctest::Approx(12.0));
    CHECK(id(driver.roles.heatsink) == "driver-heatsink");
    CHECK(id(driver.roles.supply) == "driver-supply");
    CHECK(id(driver.roles.current) == "driver-current");
    CHECK(id(driver.roles.fan) == "driver-fan");
    CHECK(driver.roles.more_feeds.empty());
    CHECK(id(plan.roles.heatsink) == "heatsink");
    CHECK(id(plan.roles.supply) == "supply");
    CHECK(id(plan.roles.current) == "current");
    CHECK(id(plan.roles.fan) == "fan");
    REQUIRE(plan.roles.more_feeds.size() == 1);
    CHECK(id(plan.roles.more_feeds[0].current) == "current-2");
    CHECK(id(plan.roles.more_feeds[0].supply) == "supply-2");
    REQUIRE(plan.roles.more_supplies.size() == 1);
    CHECK(id(plan.roles.more_supplies[0]) == "supply-2");
    REQUIRE(plan.roles.more_fans.size() == 1);
    CHECK(id(plan.roles.more_fans[0]) == "fan-2");
    for (std::uint16_t i = 0; i < plan.channels.size(); ++i)
        CHECK((core::stage_of(plan, i) == &driver) == plan.channels[i].id.starts_with("driver-"));
    CHECK(core::stage_of(plan, plan.index(core::Derived::vswr)) == nullptr);
}

TEST_CASE("the names for people begin with the stage's, once") {
    const Loaded loaded = load_configuration(whole());
    expect_no_faults(loaded);
    CHECK(channel_of(loaded, "driver-heatsink").name == "Driver: Heatsink");  // 'name: Heatsink'
    CHECK(channel_of(loaded, "driver-fan").name == "Driver fan");             // from its id
    CHECK(channel_of(loaded, "fan").name == "Fan");
    CHECK(limit_of(loaded, "driver-heatsink").name == "Driver: Heatsink too hot");  // 'name: Heatsink too hot'
    CHECK(limit_of(loaded, "driver-current").name == "Driver current too high");    // from what it watches
    CHECK(limit_of(loaded, "vswr").name == "VSWR too high");

    const core::StagePlan stage{.id = "driver", .name = "Driver", .roles = {}, .nominal_supply_v = {}};
    CHECK(name_in_stage(&stage, "Heatsink") == "Driver: Heatsink");
    CHECK(name_in_stage(&stage, "driver heatsink") == "driver heatsink");
    CHECK(name_in_stage(&stage, "Driver") == "Driver");
    CHECK(name_in_stage(&stage, "Driver: fan") == "Driver: fan");
    CHECK(name_in_stage(&stage, "Drivers' shelf") == "Driver: Drivers' shelf");
    CHECK(name_in_stage(&stage, "Driver2 fan") == "Driver: Driver2 fan");
    CHECK(name_in_stage(&stage, "Drive") == "Driver: Drive");
    CHECK(name_in_stage(nullptr, "Heatsink") == "Heatsink");
}

TEST_CASE("check says of each limit whose it is") {
    const Loaded loaded = load_configuration(whole());
    expect_no_faults(loaded);
    std::string all;
    for (const std::string& sentence : summarise(*loaded.configuration)) all += sentence + "\n";
    CAPTURE(all);
    CHECK(all.find("De-keys when Driver: Heatsink is at or above 60 °C") != std::string::npos);
    CHECK(all.find("De-keys when Driver: Heatsink has given no good reading") != std::string::npos);
    CHECK(all.find("De-keys when heatsink is at or above 70 °C") != std::string::npos);
}

TEST_CASE("a stage is named once, has sensors, and its sensors know it") {
    CHECK(refusal(load_configuration(with_more("stages: {driver: {name: Driver}}\n"))) ==
          "no sensor is in this stage | 'stage: driver' under each of its sensors, or no such stage");
    CHECK(
        refusal(load_configuration(with_sensors(
            "  x: {bus: wire, address: 28-000000000002, measures: temperature, stage: driver, allowed_age: 5 s}\n"))) ==
        "there is no stage 'driver' | a section 'stages:' with it, such as 'stages: {driver: {name: Driver}}'");
    CHECK(refusal(
              load_configuration(spoiled(whole(), "name: Heatsink, stage: driver", "name: Heatsink, stage: diver"))) ==
          "there is no stage 'diver' | did you mean 'driver'?");
    expect_faults(load_configuration(spoiled(whole(), "stages:\n", "stages:\n  other: {name: Driver}\n")),
                  {{71, "stages.other", "no sensor is in this stage"},
                   {72, "stages.driver", "the name 'Driver' belongs to the stage 'other' already"}});
    expect_faults(load_configuration(with_sensors(
                      "  d: {bus: wire, address: 28-000000000002, measures: temperature, stage: d, allowed_age: 5 s}\n",
                      "stages: {d: {nominal_supply: 12 V}}\n")),
                  {{53, "stages.d.nominal_supply", "this stage's supply isn't measured"}});
}

TEST_CASE("what belongs to the station is refused in a stage, and each of a stage's roles once") {
    const auto in_driver = [](std::string_view role, std::string_view rest) {
        return load_configuration(with_sensors(fmt::format("  x: {{role: {}, stage: driver, {}}}\n", role, rest),
                                               "stages: {driver: {name: Driver}}\n"));
    };
    CHECK(
        refusal(in_driver("ambient", "bus: wire, address: 28-000000000002, measures: temperature, allowed_age: 5 s")) ==
        "the role 'ambient' belongs to the station, and this sensor is in the stage 'driver' | in a stage one of "
        "supply, current, heatsink, fan, or no role; else no 'stage:'");
    for (const RoleRow& row : role_rows) {
        CAPTURE(row.word);
        const bool of_stage = row.role == Role::supply || row.role == Role::current || row.role == Role::heatsink ||
                              row.role == Role::fan;
        CHECK((row.owned != Owned::by_station) == of_stage);
    }
    for (const char* const again : {"supply: {bus: psu, address: in7, measures: voltage, role: supply",
                                    "current: {bus: psu, address: curr7, measures: current, role: current",
                                    "fan: {bus: psu, address: fan7, measures: speed, role: fan",
                                    "heat: {bus: psu, address: temp7, measures: temperature, role: heatsink"}) {
        CAPTURE(again);
        const Loaded loaded = load_configuration(spoiled(
            whole(), "amplifier:\n", fmt::format("  more-{}, stage: driver, allowed_age: 2 s}}\namplifier:\n", again)));
        const std::string said = refusal(loaded);
        CAPTURE(said);
        CHECK(said.find("already | each role once in a stage; a further sensor goes without a role, or in a stage of "
                        "its own") != std::string::npos);
    }
    CHECK(refusal(load_configuration(with_sensors("  x: {bus: wire, address: 28-000000000002, measures: temperature, "
                                                  "role: heatsink, allowed_age: 5 s}\n")))
              .starts_with("the role 'heatsink' belongs to 'heatsink' already"));
}

TEST_CASE("with one supply no current needs to name it; with two each does, and no supply is left out") {
    const auto first = [](const Loaded& loaded) {
        REQUIRE(loaded.configuration);
        const core::Plan& plan = loaded.configuration->plan;
        return plan.channels[*plan.roles.current].id + " at " + plan.channels[*plan.roles.supply].id;
    };
    const std::string two = with_sensors(second_feed);
    CHECK(first(load_configuration(two)) == "current at supply");
    // The first current's supply is the first supply, in the text's other order too.
    const Loaded crossed = load_configuration(
        spoiled(spoiled(two, "supply: supply,", "supply: supply-3,"), "supply: supply-2,", "supply: supply,"));
    CHECK(refusal(crossed) == "'supply-3' is no supply of the amplifier | one of: supply, supply-2");
    const Loaded swapped = load_configuration(
        spoiled(spoiled(spoiled(two, "supply: supply,", "supply: supply-0,"), "supply: supply-2,", "supply: supply,"),
                "supply: supply-0,", "supply: supply-2,"));
    CHECK(first(swapped) == "current at supply-2");
    REQUIRE(swapped.configuration->plan.roles.more_supplies.size() == 1);
    CHECK(swapped.configuration->plan.channels[swapped.configuration->plan.roles.more_supplies[0]].id == "supply");

    CHECK(refusal(load_configuration(spoiled(two, "supply: supply-2, ", ""))) ==
          "which of the supplies this current flows from is not said | 'supply:' with one of supply, supply-2");
    CHECK(refusal(load_configuration(spoiled(two, "supply: supply-2, ", "supply: supply, "))) ==
          "no current flows from 'supply-2', so DC power would lack it | a sensor with 'role: current' and 'supply: "
          "supply-2', or no role here: a limit may watch it all the same");
    CHECK(refusal(load_configuration(spoiled(two, "supply: supply-2, ", "supply: forward, "))) ==
          "'forward' is no supply of the amplifier | one of: supply, supply-2");
    // Two shunts behind one supply.
    const Loaded shunts = load_configuration(
        with_sensors(R"(  a: {bus: psu, address: curr1, measures: current, role: current, allowed_age: 500 ms}
  b: {bus: psu, address: curr2, measures: current, role: current, allowed_age: 500 ms}
)"));
    CHECK(first(shunts) == "a at supply");
    REQUIRE(shunts.configuration->plan.roles.more_feeds.size() == 1);
    CHECK(shunts.configuration->plan.roles.more_feeds[0].supply == shunts.configuration->plan.roles.supply);
    // Supplies without any current: no DC power, as ever.
    expect_no_faults(load_configuration(
        with_sensors("  supply-2: {bus: psu, address: in2, measures: voltage, role: supply, allowed_age: 500 ms}\n")));
    CHECK(refusal(load_configuration(with_sensors(
              "  bias: {bus: psu, address: curr1, measures: current, supply: supply, allowed_age: 500 ms}\n"))) ==
          "'supply' on a sensor without the role | 'role: current' beside it, or the key removed");
    // A driver's current is no part of the amplifier's.
    CHECK(refusal(load_configuration(spoiled(whole(), "measures: current, role: current, stage: driver",
                                             "measures: current, role: current, supply: supply, stage: driver"))) ==
          "'supply' is no supply of the stage 'driver' | one of: driver-supply");
}

TEST_CASE("a limit on a stage's supply is one on a supply: its own nominal, resting while it isn't supplied") {
    const Loaded loaded = load_configuration(whole());
    CHECK(limit_of(loaded, "driver-supply").trip == doctest::Approx(13.2));
    CHECK(limit_of(loaded, "driver-supply").while_supplied);
    CHECK(limit_of(loaded, "supply-2").trip == doctest::Approx(30.8));
    CHECK(limit_of(loaded, "supply-2").while_supplied);
    CHECK_FALSE(limit_of(loaded, "driver-current").while_supplied);
    const Loaded unsaid = load_configuration(spoiled(whole(), ", nominal_supply: 12 V", ""));
    expect_faults(unsaid, {{67, "limits.driver-supply.above", "'+10 %' of a nominal supply that is not given"},
                           {67, "limits.driver-supply.clear", "'+5 %' of a nominal supply that is not given"}});
    CHECK(unsaid.faults[0].expected == "'nominal_supply: 28 V' under 'stages.driver:', or a voltage here");
}

TEST_CASE("what isn't written of a limit in a stage follows from that stage") {
    std::string text = spoiled(whole(),
                               "driver-fan: {watch: driver-fan, below: 600 rpm, clear: 900 rpm, qualify: 10 s, "
                               "hold_off: 30 s, rearm: automatic}",
                               "driver-fan: {watch: driver-fan}");
    const Loaded loaded = load_configuration(text);
    const core::LimitPlan& fan = limit_of(loaded, "driver-fan");
    REQUIRE(fan.gate);
    CHECK(loaded.configuration->plan.channels[fan.gate->quantity].id == "driver-heatsink");
    // The most that the amplifier draws is no level for a driver, nor for one of two.
    for (const char* const current :
         {"driver-current: {watch: driver-current, above: 4 A, ", "current-2: {watch: current-2, above: 8 A, "}) {
        CAPTURE(current);
        const std::string shorter{std::string_view{current}.substr(0, std::string_view{current}.find(" above"))};
        CHECK(refusal(load_configuration(spoiled(whole(), current, shorter + " ")))
                  .starts_with("neither 'above' nor 'below'"));
    }
}

TEST_CASE("a limit on a driver's heat leaves the amplifier's unwatched, and the other way round") {
    const std::string heatsink =
        "  heatsink: {watch: heatsink, above: 70 degC, clear: 55 degC, qualify: 1 s, hold_off: 30 s, rearm: "
        "automatic}\n";
    CHECK(refusal(load_configuration(spoiled(whole(), heatsink, ""))).starts_with("no limit trips on heat"));
    const Loaded unwatched = load_configuration(with_sensors(
        "  d: {bus: wire, address: 28-000000000002, measures: temperature, stage: driver, allowed_age: 5 s}\n"
        "  v: {bus: psu, address: in2, measures: voltage, stage: driver, role: supply, allowed_age: 1 s}\n",
        "stages: {driver: {name: Driver}}\n"));
    expect_faults(unwatched,
                  {{41, "limits", "no limit trips on the heat of the stage 'driver'"},
                   {41, "limits", "no limit trips on the supply's voltage or current of the stage 'driver'"}});
    CHECK(unwatched.faults[0].expected.find("'accept: [stages.driver.no-heat-limit]'") != std::string::npos);
    expect_no_faults(load_configuration(accepting(
        with_sensors(
            "  d: {bus: wire, address: 28-000000000002, measures: temperature, stage: driver, allowed_age: 5 s}\n",
            "stages: {driver: {name: Driver}}\n"),
        "no-supply-limit, stages.driver.no-heat-limit")));
}

TEST_CASE("each fan and each of several supplies without a limit is advised of") {
    CHECK_FALSE(advised(load_configuration(whole()), "no limit on"));
    const Loaded bare = load_configuration(with_sensors(std::string{second_feed} + std::string{fans}));
    for (const char* const id : {"fan", "fan-2", "supply", "supply-2"})
        CHECK(advised(bare, fmt::format("no limit on '{}'", id)));
}

TEST_CASE("full_fan is for any fan of the amplifier") {
    expect_no_faults(load_configuration(with_sensors(fans, "heat: {full_fan: 2400 rpm}\n")));
}
