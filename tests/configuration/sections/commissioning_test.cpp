#include <fstream>

#include "configuration_sample.hpp"
#include "expect_faults.hpp"

using namespace dekeyd;
using namespace dekeyd::formats;
using namespace std::chrono_literals;

namespace {

constexpr std::string_view commissioning =
    "commissioning: {time: 20 min, forward: 12 W, reflected: 2 W, heatsink: 50 degC}\n";

std::string pending(std::string_view more) {
    return spoiled(with_more(more), "    cable: 0.5 dB\n", "    cable: 0.5 dB\n    calibration: pending\n");
}

}  // namespace

TEST_CASE("a pending calibration, and the provisional limits that permit meanwhile") {
    const Loaded loaded = load_configuration(pending(commissioning));
    expect_no_faults(loaded);
    const core::Plan& plan = loaded.configuration->plan;
    CHECK(channel_of(loaded, "forward").power->calibration_pending);
    CHECK_FALSE(channel_of(loaded, "reflected").power->calibration_pending);
    CHECK(plan.supervision.commissioning == 20min);
    const core::LimitPlan& forward = limit_of(loaded, "commissioning-forward");
    CHECK(forward.provisional);
    CHECK(forward.edge == core::Edge::high);
    CHECK(forward.trip == 12.0);
    CHECK(forward.clear_by == core::ClearBy::rf_off);
    CHECK(forward.rearm == core::Rearm::latched);
    CHECK(forward.watch == *plan.roles.forward);
    CHECK(limit_of(loaded, "commissioning-reflected").trip == 2.0);
    const core::LimitPlan& heatsink = limit_of(loaded, "commissioning-heatsink");
    CHECK(heatsink.clear < heatsink.trip);
    CHECK(heatsink.clear_by == core::ClearBy::level);
    CHECK_FALSE(limit_of(loaded, "reflected").provisional);
    CHECK(advised(loaded, "sensors.forward: its calibration is pending: no permit but while commissioning"));
}

TEST_CASE("a pending calibration with no commissioning never permits, and says so") {
    const Loaded loaded = load_configuration(pending(""));
    expect_no_faults(loaded);
    CHECK(advised(loaded, "no permit, ever"));
}

TEST_CASE(
    "what commissioning doesn't say is cautious: a quarter of rated, a fifth of that back, 20 K below the limit") {
    const Loaded loaded = load_configuration(with_more("commissioning: {time: 20 min}\n"));
    expect_no_faults(loaded);
    CHECK(limit_of(loaded, "commissioning-forward").trip == 30.0);
    CHECK(limit_of(loaded, "commissioning-reflected").trip == doctest::Approx(6.0));
    CHECK(limit_of(loaded, "commissioning-heatsink").trip == 50.0);
    const Loaded less = load_configuration(with_more("commissioning: {time: 20 min, forward: 10 W}\n"));
    CHECK(limit_of(less, "commissioning-reflected").trip == doctest::Approx(2.0));
}

TEST_CASE("commissioning that would protect nothing is refused") {
    expect_faults(load_configuration(with_more("commissioning: {time: 3 h, forward: 31 W}\n")),
                  {{52, "commissioning.time", "'3 h' is outside 1 min to 2 h"},
                   {52, "commissioning.forward", "too much for a power that was not compared"}});
    expect_faults(
        load_configuration(with_more("commissioning: {time: 1 h, forward: 30 W, reflected: 2 W, heatsink: 70 degC}\n")),
        {{52, "commissioning.heatsink", "not below the heatsink's own limit"}});
    expect_faults(load_configuration(spoiled(with_more(commissioning), "  reflected: {watch",
                                             "  commissioning-forward: {watch: supply, above: 30 V, clear: 29 V}\n"
                                             "  reflected: {watch")),
                  {{53, "commissioning.forward", "a limit has the name 'commissioning-forward' already"}});
}
