#include "configuration/sections/roles.hpp"
#include "configuration_sample.hpp"
#include "expect_faults.hpp"

using namespace dekeyd;
using namespace dekeyd::formats;

namespace {

/// The sample with one more sensor, on line 32.
std::string with_sensor(std::string_view line) {
    return spoiled("amplifier:\n", "  " + std::string{line} + "\namplifier:\n");
}

}  // namespace

TEST_CASE("each role once, and on what it is for") {
    expect_faults(load_configuration(with_sensor(
                      "x: {bus: psu, address: temp1, measures: temperature, role: heatsink, allowed_age: 1 s}")),
                  {{32, "sensors.x.role", "the role 'heatsink' belongs to 'heatsink' already"}});
    expect_faults(
        load_configuration(with_sensor("x: {bus: psu, address: in2, measures: voltage, role: fan, allowed_age: 1 s}")),
        {{32, "sensors.x.role", "the role 'fan' is for a speed, and this sensor measures a voltage"}});
    const Loaded near = load_configuration(
        with_sensor("x: {bus: psu, address: curr1, measures: current, role: curent, allowed_age: 1 s}"));
    expect_faults(near, {{32, "sensors.x.role", "'curent' is no role"}});
    CHECK(near.faults[0].expected == "did you mean 'current'?");
}

TEST_CASE("each role has a word and a place of its own") {
    CHECK(role_rows.size() == static_cast<std::size_t>(Role::contactor_sense));  // all but none
    for (const RoleRow& row : role_rows) {
        CHECK(role_word(row.role) == row.word);
        core::Roles roles;
        roles.*(row.place) = 7;
        for (const RoleRow& other : role_rows) CHECK((roles.*(other.place)).has_value() == (&other == &row));
    }
}

TEST_CASE("a role's channel is found by the role") {
    Draft draft;
    CHECK_FALSE(draft.with_role(Role::forward));
    draft.plan().roles.forward = 3;
    CHECK(draft.with_role(Role::forward) == 3);
    CHECK_FALSE(draft.with_role(Role::reflected));
}
